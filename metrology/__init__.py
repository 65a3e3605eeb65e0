"""Pure calculations over NumPy arrays. Imports no Django, reads no database, formats no HTML."""

# Kept beside every stored result, so that it can be computed again with the same code.
VERSION = "1.0"
