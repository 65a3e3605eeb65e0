"""Small drawings made on the server: pure functions from numbers to SVG text. No request, no database."""
