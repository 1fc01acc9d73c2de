from metrepost.configuration import ConfigurationError
from support_configuration import GOOD, RULES, changed, faults_of, line_with, loaded, written


def _broken_everywhere():
    text = GOOD
    for old, new in (
        ('plant = "northmere"', 'plant = "North Mere"'),
        ('threading = "plc.threading"', 'threading = "plc.thread"'),
        ('wraps_at = "100000 m"', 'wraps_at = "100000 kg"'),
        ('reference = "capstan"', 'reference = "capstann"'),
        ('cut = "plc.cut"', 'cut = "plc.cutt"'),
        ("aperture =", "apperture ="),
        ("y = { register = 202 }", "y = { register = 201 }"),
        ('"mean"', '"median"'),
        ("s=Line.Threading", "Line.Threading"),
        ('url = "mqtt://127.0.0.1:1883"', 'url = "tcp://127.0.0.1"\npassword = "x"'),
        ('rules = ["small.toml"]', 'rules = ["small.toml"]\ntags_csv = "list.csv"'),
    ):
        text = changed(text, old, new)
    rules = changed(RULES, '"plc.water"', '"plc.watre"')
    rules = changed(rules, '"2 m"', '"2 kg"')
    return text, rules, "station;tag;register\ngauge;x;300\ngauge;new;abc\n"


def test_every_fault_of_every_file_is_told_at_once(tmp_path):
    text, rules, register_list = _broken_everywhere()
    faults = faults_of(written(tmp_path, text, rules, list__csv=register_list))
    told = {(fault.file.rpartition("/")[2], fault.line, fault.key_path) for fault in faults}
    assert told == {
        ("line.toml", line_with(text, "North Mere"), "line.plant"),
        ("line.toml", line_with(text, "plc.thread"), "line.threading"),
        ("line.toml", line_with(text, "100000 kg"), "length.wraps_at"),
        ("line.toml", line_with(text, "capstann"), "length.reference"),
        ("line.toml", line_with(text, "plc.cutt"), "take_up.cut"),
        ("line.toml", line_with(text, "apperture"), "station.gauge.apperture"),
        ("line.toml", line_with(text, "register = 201"), "station.gauge.tags.y.register"),
        ("line.toml", line_with(text, "median"), "station.gauge.computed.diameter.function"),
        ("line.toml", line_with(text, "s=TakeUp") - 1, "station.plc.tags.threading.node"),
        ("line.toml", line_with(text, '"tcp://'), "mqtt.url"),
        ("line.toml", line_with(text, 'password = "x"'), "mqtt.password"),
        ("list.csv", 2, "gauge.x"),
        ("list.csv", 3, "gauge.new.register"),
        ("small.toml", line_with(rules, "watre"), "rule.hot.reads"),
        ("small.toml", line_with(rules, "2 kg"), "rule.thick.on_delay"),
    }


def test_faults_come_in_the_order_of_files_and_lines(tmp_path):
    text, rules, register_list = _broken_everywhere()
    faults = faults_of(written(tmp_path, text, rules, list__csv=register_list))
    files = [fault.file.rpartition("/")[2] for fault in faults]
    assert files == sorted(files, key=["line.toml", "list.csv", "small.toml"].index)
    lines = [fault.line for fault in faults if fault.file.endswith("line.toml")]
    assert lines == sorted(lines)


def test_the_message_is_one_block_a_fault(tmp_path):
    text = changed(GOOD, "aperture =", "apperture =")
    path = written(tmp_path, text, changed(RULES, '"plc.water"', '"plc.watr"'))
    try:
        loaded(path)
    except ConfigurationError as error:
        message = str(error)
    assert message.startswith("2 errors in the configuration:")
    assert (
        f"{path}, line {line_with(text, 'apperture')}: station.gauge.apperture\n    wrong:   there is no such key\n" in message
    )
    assert "    nearest: aperture\n" in message
    assert "    allowed: position, aperture, latency, defaults, tags, computed\n" in message
    assert message.endswith("run `metrepost check` again.")


def test_a_broken_tag_is_not_called_unknown(tmp_path):
    """A tag that stands there but is wrong has one fault; those who read it have none."""
    text = changed(GOOD, "x = { register = 200,", "x = { register = -1,")
    assert [fault.key_path for fault in faults_of(written(tmp_path, text))] == ["station.gauge.tags.x.register"]
    text = changed(GOOD, "water = {", "water = { colour = 'blue', ")
    assert [fault.key_path for fault in faults_of(written(tmp_path, text))] == ["station.plc.tags.water.colour"]
