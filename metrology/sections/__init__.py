"""Cutting a part with a plane: the outline, the deviation along it, and its picture."""
