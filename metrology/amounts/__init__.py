"""Figures as people write them, and their units."""
