"""Pages of this room, by what they show."""

FORM = ["GET", "HEAD", "POST"]
