"""Products: the one of the line file, or files of ``products/`` picked by a tag."""

from pathlib import Path

from ..line.plan import Product, ProductPlan, Toleranced
from .document import read_document
from .explain import validate
from .faults import nearest
from .lookup import Lookup
from .models.line_tables import ProductInLine, RecipeTable
from .models.product_file import ProductFile, ProductTable
from .pieces import Pieces


def resolve_products(pieces: Pieces, lookup: Lookup) -> ProductPlan | None:
    """The products of a line; None when they are refused. Those of a recipe are keyed by the tag's value as text, ``75``."""
    table = pieces.product
    if isinstance(table, ProductInLine):
        product = product_of(table)
        return ProductPlan({product.name: product}, present=product.name)
    if isinstance(table, RecipeTable):
        return _recipe(pieces, table, lookup)
    return None


def product_of(table: ProductTable) -> Product:
    """A product with each value in the unit of its target."""
    values: dict[str, Toleranced] = {}
    for key, value in table.values.items():
        unit = value.target.unit
        tolerance = value.tolerance.difference_to(unit) if value.tolerance is not None else None
        values[key] = Toleranced(value.target.magnitude, tolerance, unit)
    return Product(table.name, values)


def _recipe(pieces: Pieces, table: RecipeTable, lookup: Lookup) -> ProductPlan | None:
    document = pieces.document
    tag = lookup.tag(table.from_, document, ("product", "from"))
    folder = document.path.parent / "products"
    files = {path.stem: path for path in sorted(folder.glob("*.toml"))}
    before = len(document.faults)
    wanted: dict[str, str] = {}
    if table.values is None:
        wanted = {name: name for name in files}
        if not files:
            document.fault(("product", "from"), f"there is no product file in {folder}, so no value of the tag picks a product")
    for value, name in (table.values or {}).items():
        path = ("product", "values", value)
        key = _key(value)
        if key is None:
            document.fault(path, f'"{value}" is no number, and the value of a tag is one')
        elif key in wanted:
            document.fault(path, f"{value} and {key} are the same value of the tag")
        elif name.removesuffix(".toml") not in files:
            meant = nearest(name, files)
            document.fault(path, f"there is no file {folder / name}.toml", tuple(files), name if meant else None)
        else:
            wanted[key] = name.removesuffix(".toml")
    if table.values is not None and not table.values:
        document.fault(("product", "values"), "no value is declared; leave values out to pick files by their names")
    read = {name: _read(pieces, files[name]) for name in dict.fromkeys(wanted.values())}
    _refuse_one_name_twice(pieces, read, files)
    if len(document.faults) > before:
        return None
    products = {key: product for key, name in wanted.items() if (product := read[name]) is not None}
    return ProductPlan(products, recipe=tag.name if tag else "")


def _key(value: str) -> str | None:
    """The value as the core spells it."""
    try:
        return f"{float(value):g}"
    except ValueError:
        return None


def _read(pieces: Pieces, path: Path) -> Product | None:
    pieces.files.append(path)
    document = read_document(path, pieces.document.faults)
    if document is None:
        return None
    if "format" not in document.data:  # told by the reader; product and the rest are still looked at
        document.data["format"] = 1
    file = validate(ProductFile, document, (), document.data)
    return product_of(file.product) if file else None


def _refuse_one_name_twice(pieces: Pieces, read: dict[str, Product | None], files: dict[str, Path]) -> None:
    """Rollups and rules tell products apart by name."""
    seen: dict[str, str] = {}
    for file, product in read.items():
        if product is not None and product.name in seen:
            faults = pieces.document.faults
            faults.add(files[file], 1, "product.name", f'"{product.name}" is the name of {files[seen[product.name]]} already')
        elif product is not None:
            seen[product.name] = file
