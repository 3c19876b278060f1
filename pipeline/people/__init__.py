"""Finding people in one picture: box, role, ground point, head point, kit colours.

:class:`Finder` runs the network; :mod:`pipeline.people.decode` turns its output into people and removes doubles;
:mod:`pipeline.people.kit` measures kit colours.
"""

from pipeline.people.finder import Finder
from pipeline.people.kit import KIT_FEATURES

__all__ = ["KIT_FEATURES", "Finder"]
