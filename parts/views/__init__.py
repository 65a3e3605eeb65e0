"""Pages of this room, by what they show."""
