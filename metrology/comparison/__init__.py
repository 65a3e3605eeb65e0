"""A placed scan against its nominal: deviations, regions, sections, walls, figures and words."""
