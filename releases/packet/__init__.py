"""The PDF that goes with a release: what was signed, and the evidence it rests on."""

from .content import Content, gather
from .paper import draw

__all__ = ["Content", "draw", "gather"]
