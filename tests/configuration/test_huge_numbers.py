"""Python reads no whole number of more than 4 300 digits: in a file that is a fault like any other, told with its file."""

from support_configuration import GOOD, changed, faults_of, written

DIGITS = "9" * 5000


def test_in_a_line_file(tmp_path):
    (fault,) = faults_of(written(tmp_path, changed(GOOD, "register = 202", f"register = {DIGITS}")))
    assert fault.file == str(tmp_path / "line.toml")
    assert "no number that can be read" in fault.wrong


def test_in_a_register_list(tmp_path):
    line = changed(GOOD, 'rules = ["small.toml"]', 'rules = ["small.toml"]\ntags_csv = "list.csv"')
    path = written(tmp_path, line)
    (tmp_path / "list.csv").write_text(f"station,tag,register\ngauge,n,{DIGITS}\n")
    (fault,) = [fault for fault in faults_of(path) if fault.key_path == "gauge.n.register"]
    assert "whole number" in fault.wrong
