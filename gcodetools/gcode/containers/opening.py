"""Opens a container of any kind. `sniff` itself is in `base`, which is light: most files are none."""

from __future__ import annotations

from gcodetools.errors import InputError
from gcodetools.gcode.containers.base import Container, Limits, sniff
from gcodetools.gcode.containers.binary import open_binary
from gcodetools.gcode.containers.gz import open_gz
from gcodetools.gcode.containers.package import open_package

__all__ = ["open_container", "sniff"]


def open_container(
    data: bytes, name: str, plate: int | None = None, limits: Limits | None = None
) -> Container:
    """Read a container.

    Parameters
    ----------
    name : what messages call it. plate : which of several plates, by its number; needed only where there are
    several. limits : how much it may hold.

    Raises
    ------
    InputError : no container, damaged, or more than a careful reader takes. UsageError : no such plate, several
    and none was chosen, or a library that is not installed.
    """
    limits = limits or Limits()
    kind = sniff(data)
    if kind is None:
        raise InputError(
            f"{name}: found no container, expected gz, a 3MF package or binary G-code", "Read it as text."
        )
    opener = {"gz": open_gz, "package": open_package, "binary": open_binary}[kind]
    container = opener(data, name, plate, limits)
    inner = sniff(container.text)
    if inner is not None:
        raise InputError(
            f"{name}: a {inner} container inside a {kind}, expected G-code text", "Unpack the outer one."
        )
    return container
