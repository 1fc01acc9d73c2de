import pytest

from metrepost.configuration.judgement import judge, sure_to_see, told_apart_up_to
from metrepost.readings import Hold, Tag
from support_configuration import GOOD, RULES, changed, loaded, written


def _notes(path, about, environ=None):
    return [note for note in judge(loaded(path, environ)) if note.about == about]


def test_poll_load_counts_requests(tmp_path):
    """Inputs 200 to 205 are one block, holding registers 0 to 2 another: two requests every 20 ms."""
    (note,) = _notes(written(tmp_path), "endpoint gauges")
    assert note.level == "info"
    assert note.text == "100 requests/s in 2 blocks for 250 values/s"


def test_a_busy_device_is_warned_of(tmp_path):
    notes = _notes(written(tmp_path, changed(GOOD, 'poll = "20 ms"', 'poll = "5 ms"')), "endpoint gauges")
    assert [note.level for note in notes] == ["info", "warning"]
    assert "400 requests/s are many" in notes[1].text


def test_what_a_gauge_is_sure_to_see():
    """At 300 m/min and 20 ms, 100 mm pass between two reads; the aperture of 1 mm is looked at."""
    instant = Tag("g.x", "g", interval=0.02)
    assert sure_to_see(instant, 0.001, 5.0) == pytest.approx(0.099)
    assert sure_to_see(Tag("g.x", "g", interval=0.02, hold=Hold.MAX, window=0.015), 0.001, 5.0) == pytest.approx(0.024)
    assert sure_to_see(Tag("g.x", "g", interval=0.02, hold=Hold.MAX, since_read=True), 0.001, 5.0) == 0.0
    assert sure_to_see(instant, 0.2, 5.0) == 0.0


def test_coverage_is_told_by_station(tmp_path):
    texts = [note.text for note in _notes(written(tmp_path), "station gauge")]
    assert texts == [
        "at 300 m/min a flaw of 99 mm or longer is sure to be seen (instant: x, y, diameter); a shorter one may pass between readings",
        "at 300 m/min no piece of cable goes by unseen (max since read: x_max)",
    ]
    assert _notes(written(tmp_path), "station capstan") == [], "no aperture: no gauge"


def test_speed_up_to_which_drops_are_told():
    """design.md 5.6: max_length ≥ 2 × speed × interval + 20 mm; 100 mm at 20 ms is 2 m/s, 120 m/min."""
    assert told_apart_up_to(0.100, 0.02) * 60 == pytest.approx(120.0)
    assert told_apart_up_to(0.010, 0.02) == 0.0


def test_drops_are_judged_by_rule(tmp_path):
    rules = changed(RULES, 'above = "4.85 mm"', 'above = "4.85 mm"\nwitness = { reads = "gauge.x_max", max_length = "100 mm" }')
    notes = _notes(written(tmp_path, rules=rules), "rule thick")
    assert "drops are told from lumps up to 120 m/min" in notes[0].text
    assert ("warning", True) in [(note.level, "may run at 300 m/min" in note.text) for note in notes]
    assert not any("instant values" in note.text for note in notes)
    rules = rules.replace("gauge.x_max", "plc.water")
    assert any("instant values (plc.water)" in note.text for note in _notes(written(tmp_path, rules=rules), "rule thick"))


def test_reels_of_hundreds_of_tags_are_warned_of(tmp_path):
    """300 tags, 400 single metres each, 235 bytes: 28 MB, again and again."""
    rows = "".join(f"gauge,t{n},{300 + 2 * n}\n" for n in range(300))
    (tmp_path / "list.csv").write_text("station,tag,register\n" + rows)
    many = changed(GOOD, 'rules = ["small.toml"]', 'rules = ["small.toml"]\ntags_csv = "list.csv"')
    many = changed(many, 'tags = ["gauge.diameter"]\n', "")
    (note,) = _notes(written(tmp_path, many), "rollups")
    assert (note.level, "for 307 tags" in note.text, "29 MB" in note.text) == ("warning", True, True), note.text
    named = changed(many, 'times = ["10 s"]', 'times = ["10 s"]\nreels = ["gauge.diameter"]')
    assert _notes(written(tmp_path, named), "rollups") == []
    assert _notes(written(tmp_path, changed(many, 'cut = "plc.cut"\n', "")), "rollups") == [], "without cuts there are no reels"


def test_alarms_without_a_response(tmp_path):
    notes = judge(loaded(written(tmp_path)))
    assert [note.about for note in notes if "no response" in note.text] == ["rule thick"]


def test_delays_longer_than_flaws(tmp_path):
    from metrepost.configuration import load_line
    from metrepost.rules.kinds import KINDS as REAL

    band = """format = 1
[rule.d]
kind = "band"
class = "product"
reads = "gauge.diameter"
target = "product.dielectric"
on_delay = "2 m"
high = { response = "look" }
"""
    line = load_line(written(tmp_path, rules=band), environ={}, kinds=REAL)
    assert any("on_delay is 2 m" in note.text and note.level == "warning" for note in judge(line))
    flaw = """[rule.l]
kind = "flaw"
class = "product"
reads = "gauge.x_max"
direction = "lump"
height = "0.06 mm"
"""
    line = load_line(written(tmp_path, rules=band + flaw), environ={}, kinds=REAL)
    assert not any("on_delay" in note.text for note in judge(line))


@pytest.mark.parametrize(("mode", "warned"), [(0o644, True), (0o640, False), (0o600, False)])
def test_secrets_that_everybody_may_read(tmp_path, mode, warned):
    text = changed(GOOD, "[mqtt]", '[mqtt]\nuser = "u"\npassword = { file = "pass" }')
    path = written(tmp_path, text, **{"pass": "hush"})
    (tmp_path / "pass").chmod(mode)
    assert bool(_notes(path, str(tmp_path / "pass"))) is warned


def test_passwords_in_the_clear(tmp_path):
    text = changed(GOOD, "[mqtt]", '[mqtt]\nuser = "u"\npassword = { env = "P" }')
    assert _notes(written(tmp_path, text), "mqtt", {"P": "x"}) == [], "within this machine"
    text = changed(text, "mqtt://127.0.0.1", "mqtt://broker.northmere.example")
    assert [note.level for note in _notes(written(tmp_path, text), "mqtt", {"P": "x"})] == ["warning"]
    text = changed(text, "mqtt://broker", "mqtts://broker")
    assert _notes(written(tmp_path, text), "mqtt", {"P": "x"}) == []


def test_the_demonstration_line_has_nothing_to_be_ashamed_of():
    from metrepost.configuration import load_line, shipped_config

    notes = judge(load_line(shipped_config() / "core-3.toml", environ={}))
    assert not any("no response" in note.text for note in notes)
    assert [note.about for note in notes if "drops are told" in note.text] == ["rule cold-lump"]
    assert not any(note.about == "station spark-tester" for note in notes), "a counter misses no spark between two reads"
    assert {note.about for note in notes if note.level == "warning"} <= {"rule cold-lump"}
