"""How pictures of parts are drawn; `metrology.pictures.deviation_views` is the way in."""
