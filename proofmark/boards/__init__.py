"""The home boards: what stops us building (lead), my bench today (technician). The site's board is `sitework:site`."""
