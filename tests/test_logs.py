"""Logging is for a whole process, so each case runs in one of its own."""

import json
import logging
import subprocess
import sys

import pytest

from metrepost import logs


def stderr_of(code: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", "import logging, structlog\nfrom metrepost import logs\n" + code],
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stderr.splitlines()


def test_json_when_stderr_is_no_terminal() -> None:
    (line,) = stderr_of("logs.setup(); structlog.get_logger().info('started', line='core-3', what={1, 2})")
    event = json.loads(line)
    assert (event["event"], event["level"], event["line"]) == ("started", "info", "core-3")
    assert event["timestamp"].endswith("Z")
    assert event["what"] == "{1, 2}"


def test_below_the_level_is_left_out() -> None:
    assert stderr_of("logs.setup('warning'); structlog.get_logger().info('no')") == []


def test_console_when_asked_for() -> None:
    (line,) = stderr_of("logs.setup(json=False); structlog.get_logger().warning('endpoint lost', endpoint='gauges')")
    assert "endpoint lost" in line
    assert "endpoint=gauges" in line
    assert "\x1b" not in line


def test_an_exception_is_one_json_line() -> None:
    (line,) = stderr_of("logs.setup()\ntry:\n 1/0\nexcept ZeroDivisionError:\n structlog.get_logger().exception('bug')")
    assert "ZeroDivisionError" in json.loads(line)["exception"]


@pytest.mark.parametrize("library", ["asyncua.client.ua_client", "paho"])
def test_libraries_come_in_the_same_form_from_warning_on(library: str) -> None:
    (line,) = stderr_of(
        f"logs.setup('debug'); log = logging.getLogger({library!r}); log.info('frame 01 04'); log.warning('lost %s', 'it')"
    )
    event = json.loads(line)
    assert (event["event"], event["level"], event["logger"]) == ("lost it", "warning", library)


def test_setting_up_twice_does_not_write_twice() -> None:
    code = "logs.setup(); logs.setup(); structlog.get_logger().error('once'); logging.getLogger('asyncua').error('once')"
    assert len(stderr_of(code)) == 2


def test_a_logger_made_before_the_set_up_follows_it() -> None:
    (line,) = stderr_of("log = structlog.get_logger('x'); logs.setup(); log.error('late')")
    assert json.loads(line)["event"] == "late"


def test_an_unknown_level_says_which_there_are() -> None:
    with pytest.raises(ValueError, match=r"loud.*debug, info, warning"):
        logs.setup("loud")


def test_pymodbus_is_left_out_because_the_endpoint_tells_of_a_lost_device_itself():
    logs.setup(json=True)
    assert not logging.getLogger("pymodbus.logging").isEnabledFor(logging.ERROR)
