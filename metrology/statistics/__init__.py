"""Uncertainty, conformity, gauges, process and samples."""
