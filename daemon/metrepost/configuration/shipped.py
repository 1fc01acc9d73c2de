"""Where the shipped line files and rule sets are: inside an installed wheel, else in the repository."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent


def shipped(folder: str) -> Path:
    """The shipped folder ``config`` or ``rules``. Raises FileNotFoundError when the installation is not whole."""
    places = (_PACKAGE / "shipped" / folder, _PACKAGE.parent.parent / folder)
    for place in places:
        if place.is_dir():
            return place
    raise FileNotFoundError(f"the shipped folder {folder} is missing; looked in {' and '.join(map(str, places))}")


def shipped_config() -> Path:
    """Folder of the shipped line files and products."""
    return shipped("config")


def shipped_rules() -> Path:
    """Folder of the shipped rule sets."""
    return shipped("rules")
