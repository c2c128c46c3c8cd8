"""Files that a reader never finds half written: replaced whole, in complete sets, the last kept.

Each set of reports has a folder of its own, named by the moment of its plan in UTC; ``latest``
always points to the newest complete one.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock, Timeout

from stormplan.errors import InputError
from stormplan.store.text_chunks import Text, chunks, sha256_hex


class LockUnusableError(InputError):
    """The lock of a folder cannot be used; nobody else need be at work."""


LATEST = "latest"
FOLDER_LOCK, SENDING_LOCK = ".lock", ".sending.lock"
_UNFINISHED = ".unfinished-"


@contextmanager
def atomic_replace(path: Path) -> Iterator[Path]:
    """Yield a temporary file that replaces ``path`` atomically when the block succeeds."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    os.close(handle)
    temp_path = Path(name)
    try:
        yield temp_path
        _sync(temp_path)
        temp_path.chmod(0o666 & ~_umask())
        temp_path.replace(path)
    except BaseException:
        temp_path.unlink(missing_ok=True)
        raise


def _umask() -> int:
    """Return the file mode creation mask of this process."""
    try:  # setting it to read it would be seen by other threads
        status = Path("/proc/self/status").read_text(encoding="ascii")
        return int(status.partition("Umask:")[2].split()[0], 8)
    except (OSError, ValueError, IndexError):
        return 0o022


def write_atomic(path: Path, text: Text) -> Path:
    """Write a text file whole or not at all, as it comes."""
    with (
        atomic_replace(path) as temp_path,
        temp_path.open("w", encoding="utf-8", newline="") as file,
    ):
        file.writelines(chunks(text))
    return path


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDWR)  # Windows syncs only what can be written
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def report_set_name(made_at: datetime, document: Text) -> str:
    """Name the folder of a plan's reports: its moment in UTC, so that names sort by time.

    The digits after it are of the plan itself: equal names are the same plan.
    """
    return f"{made_at.astimezone(UTC):%Y%m%dT%H%M%SZ}-{sha256_hex(document)[:6]}"


def publish(
    root: Path,
    name: str,
    write_reports: Callable[[Path], object],
    keep_reports: int = 200,
    *,
    is_newest: bool = True,
    replace: bool = False,
) -> Path:
    """Write a set of reports, then let ``latest`` point to it.

    Parameters
    ----------
    root : Path
        Folder of all sets.
    name : str
        Folder of this one.
    write_reports : callable
        Writes the reports into the folder it is given.
    keep_reports : int
        How many sets stay; the oldest go first [-].
    is_newest : bool
        Whether the plan was made just now; ``latest`` never goes back to an older one.
    replace : bool
        Whether a set of this name is written again; its words may be of another version.

    Returns
    -------
    Path
        The set's folder.

    Raises
    ------
    InputError
        It cannot be written; nothing that was there has changed.
    """
    try:
        root.mkdir(parents=True, exist_ok=True)
        for left in root.glob(f"{_UNFINISHED}*"):
            shutil.rmtree(left)
        target = root / name
        if replace or not target.exists():  # if it does, it is complete: it got its name last
            _write_set(target, write_reports)
        if is_newest or not is_published(root, name):
            _repoint_link(root / LATEST, name)
        _remove_oldest(root, keep_reports)
    except OSError as error:
        raise InputError(f"cannot write to {root}: {error.strerror or error}") from error
    return target


def _write_set(target: Path, write_reports: Callable[[Path], object]) -> None:
    beside = Path(tempfile.mkdtemp(dir=target.parent, prefix=_UNFINISHED))
    try:
        write_reports(beside)
        beside.chmod(0o777 & ~_umask())
        if target.exists():
            target.rename(target.with_name(f"{beside.name}.old"))  # the next publication removes it
        beside.rename(target)
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        raise


def _repoint_link(link: Path, name: str) -> None:
    if sys.platform == "win32":  # a symbolic link needs a privilege there, a junction none
        import _winapi

        with suppress(FileNotFoundError):
            link.rmdir()
        _winapi.CreateJunction(str(link.with_name(name)), str(link))
        return
    beside = link.with_name(f".{link.name}.new")
    beside.unlink(missing_ok=True)
    beside.symlink_to(name)
    beside.replace(link)


def _remove_oldest(root: Path, keep_reports: int) -> None:
    sets = sorted(path for path in root.glob("[0-9]*T[0-9]*Z-*") if path.is_dir())
    newest = (root / LATEST).resolve()
    for path in sets[:-keep_reports]:
        if path.resolve() != newest:
            shutil.rmtree(path)


def is_published(root: Path, name: str) -> bool:
    """Return whether ``latest`` points to a set, or to a newer one that exists."""
    link = root / LATEST
    try:
        return link.exists() and link.readlink().name >= name
    except OSError:  # a folder of somebody's own
        return False


@contextmanager
def exclusive_lock(root: Path, wait_s: float, name: str = FOLDER_LOCK) -> Iterator[FileLock]:
    """Hold an exclusive lock on a folder; it ends with the process.

    Parameters
    ----------
    root : Path
        The folder.
    wait_s : float
        How long to wait for it [s].
    name : str
        ``FOLDER_LOCK`` for what is planned and written, ``SENDING_LOCK`` for what goes out: nobody
        who only plans waits for a receiver.

    Yields
    ------
    FileLock
        May be released before the end.

    Raises
    ------
    InputError
        Another run has it, and did not end in time; or it cannot be used (``LockUnusableError``).
    """
    lock = root / name
    held = FileLock(lock, timeout=wait_s)
    try:
        root.mkdir(parents=True, exist_ok=True)
        held.acquire()
    except Timeout:
        raise InputError(f"another run is at work in {root}; try again when it has ended") from None
    except OSError as error:
        raise LockUnusableError(
            f"cannot lock {root} ({error.strerror or error}): {lock} {_describe_owner(lock)}; run "
            "stormplan as one user only, and remove that file"
        ) from error
    try:
        yield held
    finally:
        held.release()


def _describe_owner(path: Path) -> str:
    """Return whose a file is, in words."""
    try:
        return f"belongs to {path.owner()}"
    except KeyError:
        return f"belongs to user {path.stat().st_uid}"
    except (OSError, NotImplementedError):
        return "cannot be looked at"


def check_disk_space(root: Path, size_bytes: int) -> None:
    """Raise if some bytes cannot be written; tested by writing them.

    Raises
    ------
    InputError
        They cannot.
    """
    try:
        with tempfile.TemporaryFile(dir=root) as trial:
            for _ in range(0, size_bytes, 65_536):
                trial.write(b"\0" * 65_536)
            trial.flush()
    except OSError as error:
        raise InputError(f"cannot write to {root}: {error.strerror or error}") from error
