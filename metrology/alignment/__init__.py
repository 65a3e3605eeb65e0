"""Placing a scan in the nominal frame: datum alignment, marked points, best fit, and how sure each is."""
