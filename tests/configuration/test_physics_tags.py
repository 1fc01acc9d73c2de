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
