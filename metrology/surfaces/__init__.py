"""The nominal as a surface: what it is, regions of it, and the form in which it is shown."""
