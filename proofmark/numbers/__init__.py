"""What-if pages: one for each registered calculation, made from its dataclasses. Nothing is saved."""
