"""Strength, maturity, movement and handling of concrete."""
