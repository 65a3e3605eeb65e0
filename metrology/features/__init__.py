"""Least-squares features of measured points, and what they say."""
