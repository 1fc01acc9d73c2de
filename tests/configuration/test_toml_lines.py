import tomllib

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from metrepost.configuration.toml_lines import key_lines, spell

TRICKY = '''\
a = 1 # b = 2
"quoted key" = "x = 1 # no comment"
'literal.key' = '# neither'
long = """
[not.a.table]
k = 1
\\"""
"""
tail = """a"""""
raw = \'\'\'
x = 2\'\'\' # over
dotted . "in side".c = [
  1, # one
  { deep = { er = 2 }, list = ["]", \'}\'] },
  [3, [4]],
]
date = 1979-05-27 07:32:00Z
flt = -inf

[table]
inner = { x = 1, y."z" = "}" }
  [table.sub.below] # indented
  v = true
[["array of".tables]]
n = 1
[["array of".tables]]
n = 2
["array of".tables.child]
m = 3
[[plain]]
[plain.x]
y = 1
[implied.late]
z = 1
[implied]
w = 1
'''


def test_tricky_file():
    lines = key_lines(TRICKY)
    rows = TRICKY.split("\n")
    tomllib.loads(TRICKY)

    def at(*path):
        return rows[lines[path] - 1]

    assert at("a").startswith("a = 1")
    assert at("quoted key").startswith('"quoted key"')
    assert at("literal.key").startswith("'literal.key'")
    assert at("tail").startswith("tail")
    assert at("dotted", "in side", "c") == 'dotted . "in side".c = ['
    assert at("dotted", "in side", "c", 0) == "  1, # one"
    assert at("dotted", "in side", "c", 1, "deep", "er") == at("dotted", "in side", "c", 1)
    assert at("dotted", "in side", "c", 2, 1, 0) == "  [3, [4]],"
    assert at("flt") == "flt = -inf"
    assert at("table", "inner", "y", "z").startswith("inner")
    assert at("table", "sub").strip().startswith("[table.sub.below]")
    assert at("table", "sub", "below", "v").strip() == "v = true"
    assert at("array of", "tables", 1, "n") == "n = 2"
    assert at("array of", "tables", 1, "child", "m") == "m = 3"
    assert at("plain", 0, "x", "y") == "y = 1"
    assert at("implied") == "[implied]", "a table's own header counts, not its first mention"
    assert ("not", "a", "table") not in lines
    assert ("k",) not in lines


def test_windows_line_ends():
    assert key_lines("a = 1\r\n\r\n[b]\r\nc = 2\r\n") == {("a",): 1, ("b",): 3, ("b", "c"): 4}


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (("station", "cold-gauge", "tags", "x"), "station.cold-gauge.tags.x"),
        (("rules", 1), "rules[1]"),
        (("product", "odd key", 0, "n"), 'product."odd key"[0].n'),
        (("a", 'b"c'), 'a."b\\"c"'),
        ((), ""),
    ],
)
def test_spelling_of_key_paths(path, text):
    assert spell(path) == text


def _paths(value, path=()):
    if path:
        yield path, value
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _paths(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _paths(inner, (*path, index))


# Generated files carry unique numbers as leaves. A leaf is right when its number stands on the line the scanner gives.
_bare = st.text("abcdefgh-_019", min_size=1, max_size=4)
_keys = st.one_of(_bare, _bare.map(lambda t: f'"{t}"'), _bare.map(lambda t: f"'{t}'"))
_gap = st.sampled_from(["", " ", "\t"])
_rest = st.sampled_from(["", " # c = 1", "  # [x]", ' # """'])


@st.composite
def _hand_written(draw):
    """Dotted keys, inline tables, arrays over lines, multi-line texts and headers, as people write them."""
    rows = []
    number = iter(range(10_000, 20_000))

    def value(depth):
        mark = next(number)
        shape = draw(st.integers(0, 6 if depth else 3))
        if shape == 0:
            return str(mark)
        if shape == 1:
            return f'"text # {mark} \\" ]"'
        if shape == 2:
            return f'"""{mark}\n[trap]\nq = 1 \\"""\n"{draw(_gap)}"""'
        if shape == 3:
            return f"'''{mark}\nq = ''\n'''"
        if shape == 4:
            items = ",\n".join(value(depth - 1) for _ in range(draw(st.integers(0, 3))))
            return f"[{draw(st.sampled_from(['', chr(10), ' # x' + chr(10)]))}{items}{draw(st.sampled_from(['', chr(10)]))}]"
        pairs = ", ".join(f"k{i}.x = {value(depth - 1)}" for i in range(draw(st.integers(0, 3))))
        return "{ " + pairs + " }"

    for _ in range(draw(st.integers(1, 4))):
        if draw(st.booleans()):
            header = ".".join(draw(st.lists(_keys, min_size=1, max_size=3)))
            form = draw(st.sampled_from(["[{}]", "[[{}]]"]))
            rows.append(draw(_gap) + form.format(header) + draw(_rest))
        for _ in range(draw(st.integers(0, 3))):
            key = f"{draw(_gap)}.{draw(_gap)}".join(draw(st.lists(_keys, min_size=1, max_size=2)))
            rows.append(f"{draw(_gap)}{key}{draw(_gap)}={draw(_gap)}{value(2)}{draw(_rest)}")
        rows.append(draw(st.sampled_from(["", "# comment = 1"])))
    return draw(st.sampled_from(["\n", "\r\n"])).join(rows)


@settings(max_examples=400, deadline=None)
@given(_hand_written())
def test_every_key_of_a_hand_written_file_has_its_line(text):
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        event("a key stood twice")
        return  # refused by the parser, never scanned
    lines = key_lines(text)
    rows = text.replace("\r\n", "\n").split("\n")
    paths = dict(_paths(data))
    assert set(lines) == set(paths)
    for path, value in paths.items():
        if isinstance(value, int) or (isinstance(value, str) and value):
            mark = str(value) if isinstance(value, int) else next(w for w in value.split() if w.strip('"').isdigit())
            assert mark in rows[lines[path] - 1], (path, value)
