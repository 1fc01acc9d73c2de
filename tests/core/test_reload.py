"""Changed files for a line that runs: what is as before goes on as if nothing had happened, what changed begins anew and says so."""

import shutil

import msgspec
import pytest

from metrepost.assembly import assemble
from metrepost.configuration.difference import differences, needs_restart, what_stands_in
from metrepost.configuration.load import load_line
from metrepost.configuration.shipped import shipped_config, shipped_rules
from metrepost.events import AlarmEvent, AlarmState, Event, RollupOut
from metrepost.readings import Act, Measured, Tick
from metrepost.reload import successor
from metrepost_sim.direct import DirectLine
from metrepost_sim.scenarios import scenario

SECONDS = 48
SPLIT = 20.0


@pytest.fixture(scope="module")
def items():
    return list(DirectLine(scenario("demo", 1)).inputs(SECONDS))


@pytest.fixture
def plant(tmp_path):
    """A plant's own copy of the files: `plant(file, old, new)` edits one and loads the line."""
    shutil.copytree(shipped_config(), tmp_path / "config")
    shutil.copytree(shipped_rules(), tmp_path / "rules")

    def load(*edits):
        for file, old, new in edits:
            text = (tmp_path / file).read_text()
            assert text.count(old) >= 1, f"{old!r} is not in {file}"
            (tmp_path / file).write_text(text.replace(old, new, 1))
        return load_line(tmp_path / "config" / "core-3.toml")

    return load


def ran(items, first, then=None, acts=()):
    """Outputs after SPLIT, what the reload told, and the core; `then` is reloaded between two inputs."""
    core, told, out = assemble(first), [], []
    begin = items[0].time
    pending = list(acts)
    for item in items:
        late = item.time - begin > SPLIT
        if late and pending:
            for act in pending:
                out.extend(core.feed(act(item.time)))
            pending = []
        if late and then is not None and isinstance(item, Tick):
            follows = successor(core, first, then)
            core, told, then = follows.core, follows.told, None
            assert follows.trouble == []
        made = core.feed(item)
        if late:
            out.extend(made)
    return out, told, core


def alarms_of(told):
    return [(t.data.alarm, t.data.transition, t.data.reason) for t in told if isinstance(t, Event)]


def test_files_that_are_as_before_change_nothing_at_all(plant, items):
    first = plant()
    alone, _, one = ran(items, first)
    reloaded, told, two = ran(items, first, load_line(first.files[0]))
    assert told == []
    assert msgspec.json.encode(reloaded) == msgspec.json.encode(alone)
    assert any(isinstance(o, RollupOut) for o in alone)
    assert two.snapshot() == one.snapshot()


def test_a_changed_rule_begins_anew_and_every_other_goes_on(plant, items):
    first = plant()
    alone, _, _ = ran(items, first)
    then = plant(("rules/foam-core.toml", 'over = "1 m"', 'over = "0.5 m"'))
    reloaded, _, core = ran(items, first, then)
    changed = [(c.file, c.key, c.before, c.after) for c in differences(first, then)]
    assert changed == [("foam-core.toml", "rule.cold-diameter.over", "1 m", "0.5 m")]

    def others(out):
        return [
            o
            for o in out
            if not isinstance(o, Measured) and getattr(getattr(o, "data", o), "rule", "") not in ("cold-diameter", "")
        ]

    assert others(alone)
    assert msgspec.json.encode(others(reloaded)) == msgspec.json.encode(others(alone))
    assert next(r for r in core.rules if r.rule.name == "cold-diameter").rule.settings.over != first.rules[1][1].over


def test_texts_and_priorities_change_while_the_alarm_stands(plant, items):
    first = plant()
    _, _, core = ran(items, first)
    standing = next(s for s in core.alarms.states() if s.state == "unacknowledged" and s.rule in dict(first.rules))
    rule = dict(first.rules)[standing.rule]
    response = rule.limits()[standing.limit].response
    then = plant(("rules/foam-core.toml", response, "Do the other thing."))
    follows = successor(core, first, then)
    assert [t for t in follows.told if isinstance(t, Event)] == []
    now = follows.core.alarms.state(standing.alarm)
    assert (now.state, now.since, now.response) == ("unacknowledged", standing.since, "Do the other thing.")
    assert now in [t for t in follows.told if isinstance(t, AlarmState)]


def test_a_standing_alarm_of_a_rule_that_is_taken_out_or_judges_otherwise_is_cleared_and_told(plant, items):
    first = plant()
    _, _, core = ran(items, first)
    told = {s.alarm: s for s in core.alarms.states() if s.state == "unacknowledged"}
    assert told, "the demonstration has something standing"
    alarm = next(a for a in told if a.partition(".")[0] in dict(first.rules))
    name = alarm.partition(".")[0]
    fewer = msgspec.structs.replace(first, rules=tuple(r for r in first.rules if r[0] != name))
    follows = successor(core, first, fewer)
    assert alarms_of(follows.told) == [(alarm, "cleared", "the rule was taken out")]
    assert alarm not in {s.alarm for s in follows.core.alarms.states()}


def test_what_a_person_decided_stays_while_the_alarm_exists(plant, items):
    first = plant()
    shelve = lambda t: Act("shelve", t, alarm="cold-diameter.high", who="mara", reason="trial", until=t + 600)  # noqa: E731
    then = plant(("rules/foam-core.toml", 'over = "1 m"', 'over = "0.5 m"'))
    _, told, core = ran(items, first, then, [shelve])
    assert core.alarms.state("cold-diameter.high").state == "shelved"
    assert alarms_of(told) == []


def test_a_new_product_value_is_judged_by_from_the_next_input(plant, items):
    first = plant()
    then = plant(("config/products/k75-480.toml", "4.80 mm", "4.90 mm"))
    out, _, _ = ran(items, first, then)
    raised = [o.data.alarm for o in out if isinstance(o, Event) and isinstance(o.data, AlarmEvent)]
    assert any(a.startswith("cold-diameter") for a in raised)
    before, _, _ = ran(items, first)
    assert not any(
        o.data.alarm.startswith("cold-diameter") for o in before if isinstance(o, Event) and isinstance(o.data, AlarmEvent)
    )


def test_another_broker_or_another_name_needs_a_restart(plant):
    first = plant()
    other = plant(("config/core-3.toml", "mqtt://127.0.0.1:1883", "mqtt://127.0.0.1:1884"))
    assert "broker" in needs_restart(first, other)
    renamed = plant(("config/core-3.toml", 'name = "core-3"', 'name = "core-4"'))
    assert "core-4" in needs_restart(first, renamed)


def test_of_a_register_list_the_row_that_changed_is_told(plant, tmp_path):
    first = plant()
    file = tmp_path / "registers.csv"
    before, after = "station;tag;register\ncold-gauge;x;100\ncold-gauge;y;102\n", "station;tag;register\ncold-gauge;y;104\n"
    old = msgspec.structs.replace(first, written={str(file): what_stands_in(file, before)})
    new = msgspec.structs.replace(first, written={str(file): what_stands_in(file, after)})
    told = {(c.file, c.before, c.after) for c in differences(old, new)}
    assert told == {
        ("registers.csv", "cold-gauge;x;100", ""),
        ("registers.csv", "cold-gauge;y;102", "cold-gauge;y;104"),
    }


def test_files_of_one_name_in_two_folders_are_told_apart(plant, tmp_path):
    first = plant()
    old = msgspec.structs.replace(first, written={"rules/small.toml": {"format": 1}, "products/small.toml": {"a": 1}})
    new = msgspec.structs.replace(first, written={"rules/small.toml": {"format": 1}, "products/small.toml": {"a": 2}})
    assert [(c.file, c.key, c.before, c.after) for c in differences(old, new)] == [("small.toml", "a", "1", "2")]


def test_a_computed_value_waits_anew_when_its_inputs_come_in_another_way(plant):
    """A subscribed tag stands for it until the next value, a polled one is waited for: that depends on more than its own keys."""
    computed = '[station.foam-extruder.computed]\nhottest = { function = "max", of = ["melt"] }\n[mqtt]'
    first = plant(("config/core-3.toml", "[mqtt]", computed))
    then = plant(("config/core-3.toml", 'mode = "subscribe"', 'mode = "poll"\npoll = "100 ms"'))
    core = assemble(first)
    follows = successor(core, first, then).core
    assert follows._computed["foam-extruder.melt"] != core._computed["foam-extruder.melt"]
    assert follows._computed["cold-gauge.x"] == core._computed["cold-gauge.x"]
