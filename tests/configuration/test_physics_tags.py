"""Physics tags in line files: inputs and options are checked at load, with the key path."""

import pytest

from metrepost.configuration.faults import ConfigurationError
from metrepost.configuration.load import load_line
from metrepost.configuration.shipped import shipped_config, shipped_rules

GOOD = (
    'permittivity = { function = "effective_permittivity", '
    'of = ["capacitance-gauge.capacitance", "diameter"], conductor = "product.conductor" }'
)
WRONG = [
    ('conductor = "product.conductor" }', 'conductor = "product.conducter" }', "conductor", 'has no "conducter"'),
    (', conductor = "product.conductor" }', " }", "function", "needs conductor"),
    ('conductor = "product.conductor" }', 'conductor = "1.02 bar" }', "conductor", "measure different things"),
    ('"capacitance-gauge.capacitance", "diameter"', '"diameter", "capacitance-gauge.capacitance"', "of[0]", "needs pF/m here"),
    ('"capacitance-gauge.capacitance", "diameter"', '"diameter"', "of", "takes 2 tags"),
    ('conductor = "product.conductor" }', 'conductor = "product.conductor", model = "looyenga" }', "model", "takes no model"),
    ('"effective_permittivity"', '"effective_permitivity"', "function", "there is no function"),
    ('conductor = "product.conductor" }', 'conductor = "product.conductor", strands = 8 }', "strands", "strands is 8"),
    ('conductor = "product.conductor" }', 'conductor = "-1 mm" }', "conductor", "more than 0"),
    (
        'conductor = "product.conductor" }',
        'conductor = "product.conductor", strands = 7, strand_factor = 0.94 }',
        "strand_factor",
        "say the same",
    ),
    (
        'conductor = "product.conductor" }',
        'conductor = "product.conductor", strand_factor = "0.9 mm" }',
        "strand_factor",
        "different",
    ),
]


@pytest.mark.parametrize(("old", "new", "key", "words"), WRONG, ids=[w[3] for w in WRONG])
def test_wrong_physics_is_refused(tmp_path, old, new, key, words):
    text = (shipped_config() / "core-3.toml").read_text()
    assert GOOD in text
    (tmp_path / "products").symlink_to(shipped_config() / "products")
    file = tmp_path / "line.toml"
    file.write_text(text.replace(GOOD, GOOD.replace(old, new)))
    with pytest.raises(ConfigurationError) as error:
        load_line(file, rules_dirs=[shipped_rules()])
    faults = [f for f in error.value.faults if f.key_path.startswith(f"station.cold-gauge.computed.permittivity.{key}")]
    assert any(words in f.wrong for f in faults), str(error.value)


def loaded(tmp_path, text, products=()):
    folder = tmp_path / "products"
    folder.mkdir()
    for file in (shipped_config() / "products").glob("*.toml"):
        added = products if file.stem == "k75-480" else ()
        (folder / file.name).write_text("\n".join([file.read_text(), *added]) + "\n")
    (tmp_path / "line.toml").write_text(text)
    return load_line(tmp_path / "line.toml", rules_dirs=[shipped_rules()])


def test_corrections_may_stand_in_product_files(tmp_path):
    """Every product that the line may make needs them, and each is checked."""
    text = (shipped_config() / "core-3.toml").read_text()
    text = text.replace('conductor = "product.conductor" }', 'conductor = "product.conductor", strands = "product.strands" }')
    with pytest.raises(ConfigurationError) as error:
        loaded(tmp_path, text, ['strands = "8"'])
    (fault,) = (f for f in error.value.faults if f.key_path.endswith("permittivity.strands"))
    assert "product K75-480: strands is 8" in fault.wrong
    assert 'product K75-470 has no "strands"' in fault.wrong


@pytest.mark.parametrize(
    ("function", "of", "options", "unit"),
    [
        ("eccentric_impedance", ("permittivity", "diameter", "offset"), 'conductor = "1.02 mm", braid_wire = "0.1 mm"', "ohm"),
        ("foam_permittivity", ("permittivity", "diameter"), 'conductor = "1.02 mm", outer_skin = "50 um"', ""),
        ("return_loss", ("impedance",), 'reference = "product.impedance", on_change = "0.1 dB"', "dB"),
        ("foam_density", ("foaming",), 'solid_density = "940 kg/m^3"', "g/cm^3"),
    ],
)
def test_the_rest_of_the_physics_is_offered(tmp_path, function, of, options, unit):
    text = (shipped_config() / "core-3.toml").read_text()
    words = ", ".join(f'"{word}"' for word in of)
    more = 'offset = { function = "difference", of = ["x", "y"] }\n'
    more += f'more = {{ function = "{function}", of = [{words}], {options} }}\n[station.capstan]\n'
    text = text.replace("[station.capstan]\n", more)
    line = loaded(tmp_path, text)
    (plan,) = (c for c in line.plan.computed if c.tag == "cold-gauge.more")
    assert line.plan.tags["cold-gauge.more"].unit == unit
    assert plan.of == tuple(f"cold-gauge.{word}" for word in of)
    if function == "foam_density":
        assert plan.options["solid_density"] == pytest.approx(0.94)


def test_uncertainty_is_in_the_unit_of_the_tag(tmp_path):
    text = (shipped_config() / "core-3.toml").read_text()
    tag = "x = { register = 100,"
    assert tag in text
    assert loaded(tmp_path, text.replace(tag, f'{tag} uncertainty = "0.5 um",')).plan.tags["hot-gauge.x"].uncertainty == 0.0005


@pytest.mark.parametrize(("written", "words"), [("0.5 V", "measure different things"), ("-1 um", "is negative")])
def test_an_uncertainty_that_is_none_is_refused(tmp_path, written, words):
    text = (shipped_config() / "core-3.toml").read_text()
    with pytest.raises(ConfigurationError) as error:
        loaded(tmp_path, text.replace("x = { register = 100,", f'x = {{ register = 100, uncertainty = "{written}",'))
    (fault,) = error.value.faults
    assert fault.key_path == "station.hot-gauge.tags.x.uncertainty"
    assert words in fault.wrong


def test_tags_of_several_places_need_a_length_axis(tmp_path):
    text = (shipped_config() / "core-3.toml").read_text()
    begin, end = text.index("[length]"), text.index("[endpoint.gauges]")
    with pytest.raises(ConfigurationError) as error:
        loaded(tmp_path, text[:begin] + text[end:])
    told = [f for f in error.value.faults if f.key_path == "station.cold-gauge.computed.permittivity.of"]
    assert len(told) == 1
    assert "no [length]" in told[0].wrong
