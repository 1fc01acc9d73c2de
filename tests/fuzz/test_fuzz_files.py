"""Whatever stands in line, product, rule and register files: they load, or every fault is told. Nothing else is raised."""

import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.configuration.faults import ConfigurationError, Fault, Faults
from metrepost.configuration.load import load_line
from metrepost.configuration.registers_csv import COLUMNS, read_rows
from support_oracles import examples

TREE = Path(__file__).parents[2]
SHIPPED = {
    "core-3.toml": TREE / "config" / "core-3.toml",
    "products/k75-480.toml": TREE / "config" / "products" / "k75-480.toml",
    "products/k75-470.toml": TREE / "config" / "products" / "k75-470.toml",
    "foam-core.toml": TREE / "rules" / "foam-core.toml",
}
ODD = [
    "0", "-1", "1e999", "-1e308", "nan", "inf", "9" * 400, "0x" + "f" * 200, "true", "[]", "{}", '""', '"\\u0000"', "'\u202e'",
    '"-5 mm"', '"1e999 mm"', '"0 m"', '"nan mm"', '"9' + "9" * 400 + ' mm"', '"1 parsec"', '"5 m/min"', '"1 mm ** 999"', '"m"',
    '"capstan.speed"', '"cold-gauge.diameter"', '"product.impedance"', '"product.nothing.more"', '{ env = "HOME" }',
    '{ file = "/" }', '{ file = "\\u0000" }', '"../../products"', '"mqtt://"', '"mqtt://[::1"', '"mqtt://h:99999999"',
    '"opc.tcp://h:x"', "2026-01-01", "1979-05-27T07:32:00Z", "[[[]]]", '["0 mm", "1 mm"]', '["2 mm", "1 mm"]', '[1, "a", {}]',
    '{ target = "nan mm", tolerance = "1 mm" }', '"' + "x" * 5000 + '"', "[" * 2000 + "]" * 2000, "{a=" * 500 + "1" + "}" * 500,
]  # fmt: skip


@st.composite
def spoiled(draw: st.DrawFn, text: str) -> bytes:
    """A file with lines gone, doubled, moved or swapped in their values, odd values, or bytes that are no text."""
    lines = text.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        if not lines:
            break
        at, other = draw(st.integers(0, len(lines) - 1)), draw(st.integers(0, len(lines) - 1))
        key, equals, _ = lines[at].partition("=")
        match draw(
            st.sampled_from(["odd", "odd", "odd", "swap", "delete", "delete part", "double", "move", "character", "header"])
        ):
            case "odd" if equals:
                lines[at] = f"{key}= {draw(st.sampled_from(ODD))}"
            case "swap" if equals:
                lines[at] = f"{key}={lines[other].partition('=')[2]}"
            case "delete":
                del lines[at]
            case "delete part":
                del lines[min(at, other) : max(at, other)]
            case "double":
                lines.insert(other, lines[at])
            case "move":
                lines.insert(other % len(lines), lines.pop(at))
            case "header":
                lines.insert(
                    at, draw(st.sampled_from(["[line]", "[[line]]", "[product.x]", "[station.a.b]", '[rule.""]', "[]"]))
                )
            case _:
                place = draw(st.integers(0, len(lines[at])))
                lines[at] = lines[at][:place] + draw(st.text(max_size=3)) + lines[at][place + 1 :]
    spoilt = "\n".join(lines).encode("utf-8", "surrogatepass")
    if draw(st.integers(0, 9)) == 0:
        place = draw(st.integers(0, len(spoilt)))
        spoilt = spoilt[:place] + draw(st.binary(min_size=1, max_size=4)) + spoilt[place:]
    return spoilt


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


def told(work: Callable[[], object]) -> tuple[Fault, ...]:
    """The faults that `work` raises, () when it raises none."""
    try:
        work()
    except ConfigurationError as error:
        return error.faults or pytest.fail("a refusal without a fault")
    return ()


def tells_or_loads(line: Path) -> None:
    for fault in told(lambda: load_line(line, environ={"HOME": "somewhere"})):
        assert fault.wrong
        assert str(fault)


@pytest.mark.parametrize("name", SHIPPED)
@examples(8)
@given(data=st.data())
def test_a_spoiled_file_is_told(folder: Path, name: str, data: st.DataObject) -> None:
    (folder / "products").mkdir(exist_ok=True)
    for other, source in SHIPPED.items():
        shutil.copyfile(source, folder / other)
    (folder / name).write_bytes(data.draw(spoiled(SHIPPED[name].read_text(encoding="utf-8"))))
    tells_or_loads(folder / "core-3.toml")


@examples(100)
@given(st.binary(max_size=400))
def test_random_bytes_are_told(folder: Path, content: bytes) -> None:
    (folder / "random.toml").write_bytes(content)
    tells_or_loads(folder / "random.toml")


cells = st.one_of(
    st.sampled_from([*COLUMNS, "", "1", "0.5 mm .. 20 mm", "1,5", "nan", "9" * 5000, "١", "²", '"', '""', "true"]),
    st.text(max_size=6),
)


@examples(150)
@given(
    st.one_of(
        st.binary(max_size=300),
        st.tuples(st.sampled_from([",", ";", "\t"]), st.lists(st.lists(cells, max_size=8), max_size=5)).map(
            lambda t: "\n".join(t[0].join(row) for row in [["station", "tag", "register", "valid", "scale"], *t[1]]).encode(
                "utf-8", "surrogatepass"
            )
        ),
    )
)
def test_any_register_list_gives_rows_or_faults(folder: Path, content: bytes) -> None:
    path = folder / "registers.csv"
    path.write_bytes(content)
    faults = Faults()
    rows = read_rows(path, faults)
    for row in rows:
        row.fault((), "tried")
    assert told(faults.raise_any) or content.strip()
