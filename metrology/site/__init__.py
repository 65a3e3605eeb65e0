"""Control and as-built survey."""
