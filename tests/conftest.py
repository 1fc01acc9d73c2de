"""What every room's tests share: programs that may be missing, a logger that forgets, patience for a busy machine."""

import os
import shutil
from collections.abc import Callable, Iterator

import pytest
import structlog
from hypothesis import HealthCheck, settings

# A shared two-core runner stalls now and then; the examples are the point, not how long one takes.
settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", parent=settings.get_profile("house"), derandomize=True, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") == "true" else "house")


def find(program: str) -> str | None:
    """Where a program is; Debian keeps servers out of a plain user's PATH."""
    return shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin")


def require(program: str) -> str:
    """The path of a program. A missing one skips the test, and fails it with CI=true."""
    path = find(program)
    if path is None:
        why = f"{program} is missing; as root: apt-get install {program}"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    return path


def pytest_runtest_setup(item: pytest.Item) -> None:
    """A test marked `broker` needs a real Mosquitto."""
    if item.get_closest_marker("broker"):
        require("mosquitto")


@pytest.fixture(scope="session")
def needs() -> Callable[[str], str]:
    """``needs("tmux")`` gives the path of a program, or skips (fails with CI=true)."""
    return require


@pytest.fixture(autouse=True)
def _fresh_logging() -> Iterator[None]:
    """A test that sets logging up must not do so for the next one."""
    yield
    structlog.reset_defaults()
