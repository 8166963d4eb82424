"""How each finding is elicited, what each condition is, what care it leads to (docs/catalogue-format.md)."""

from endfeel.catalogue.load import CatalogueError, load_catalogue
from endfeel.catalogue.regions import Catalogue, RegionCatalogue

__all__ = ["Catalogue", "CatalogueError", "RegionCatalogue", "load_catalogue"]
