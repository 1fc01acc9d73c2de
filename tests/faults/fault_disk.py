"""A small disk of its own for the daemon's state: an ext4 image, mounted, that can be full, forbidden or read-only. Needs root.

* `fill`: not a byte is free (ENOSPC); `free` takes the ballast away
* `forbid`: the journal's files may not be written any more, open ones included (EPERM, as after a restore with wrong attributes); `allow`
* `abort`: the kernel makes the file system read-only under the open files (EROFS), as it does after an I/O error; nothing but `mend`
  (unmount, mount) ends that, and so the daemon must be stopped for it
"""

import os
import subprocess
import time
from contextlib import suppress
from pathlib import Path
from typing import Self

SIZE_MB = 96
BALLAST = "ballast"


def _run(*command: str) -> str:
    """Its complaint, "" when it went well."""
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    return "" if done.returncode == 0 else f"{' '.join(command)}: {done.stderr.strip()}"


class StateDisk:
    """A context manager. Raises PermissionError when this machine lets nobody mount."""

    def __init__(self, image: Path, place: Path) -> None:
        self._image = image
        self._place = place

    def __enter__(self) -> Self:
        self._place.mkdir(parents=True, exist_ok=True)
        with self._image.open("wb") as file:
            file.truncate(SIZE_MB * 1_000_000)
        for command in (
            ("mkfs.ext4", "-q", "-m", "0", str(self._image)),
            ("mount", "-o", "loop", str(self._image), str(self._place)),
        ):
            try:
                trouble = _run(*command)
            except FileNotFoundError as error:
                trouble = str(error)
            if trouble:
                raise PermissionError(trouble)
        return self

    def __exit__(self, *_: object) -> None:
        self.allow()
        self._unmount()
        with suppress(FileNotFoundError):
            self._image.unlink()

    def _unmount(self) -> None:
        until = time.monotonic() + 10.0
        while (trouble := _run("umount", str(self._place))) and time.monotonic() < until:
            time.sleep(0.05)  # the last file of a process that has ended is closed a little later
        if trouble:
            raise RuntimeError(trouble)

    def fill(self) -> None:
        """Take all room."""
        with (self._place / BALLAST).open("ab") as file:
            size, at = 1 << 26, 0
            while size >= 1024:
                try:
                    os.posix_fallocate(file.fileno(), at, size)
                    at += size
                except OSError:
                    size //= 2

    def free(self) -> None:
        """Give it back."""
        (self._place / BALLAST).unlink()

    def forbid(self) -> None:
        """Make the journal's files immutable."""
        self._attribute("+i")

    def allow(self) -> None:
        """Let them be written again."""
        self._attribute("-i")

    def _attribute(self, what: str) -> None:
        # not the shared index beside them (-shm): it is mapped, and the kernel ends a process that writes to a mapping it may not write
        files = [str(f) for f in self._place.glob("*.sqlite*") if not f.name.endswith("-shm")]
        if files and (trouble := _run("chattr", what, *files)) and what == "+i":
            raise RuntimeError(trouble)

    def abort(self) -> None:
        """Read-only from here on, open files included."""
        if trouble := _run("mount", "-o", "remount,abort", str(self._place)):
            raise RuntimeError(trouble)

    def mend(self) -> None:
        """Unmount and mount again; nobody may have a file open."""
        self._unmount()
        if trouble := _run("mount", "-o", "loop", str(self._image), str(self._place)):
            raise RuntimeError(trouble)
