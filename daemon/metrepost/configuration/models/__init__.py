"""Models of the files that engineers write: line, product and rule files."""

from .line_file import LineFile
from .product_file import ProductFile

__all__ = ["LineFile", "ProductFile"]
