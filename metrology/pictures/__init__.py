"""How pictures of parts are drawn; `metrology.picture` is the way in."""
