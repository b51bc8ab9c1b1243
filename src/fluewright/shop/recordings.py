"""Recordings kept beside the ledger by their hash, and whether each is still there and unchanged."""

import hashlib
import os
import re
import shutil
from pathlib import Path
from typing import Final

from fluewright.errors import InputError
from fluewright.files import append_synced, part_file, private_folder, sync_folder

__all__ = ["kept_folder", "recording_findings", "recording_is_kept", "recording_path", "store_recording"]

_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
_LIST: Final = "kept.list"


def kept_folder(ledger: Path) -> Path:
    """Return the folder beside a ledger where drafts and recordings are kept."""
    return ledger.with_name(f"{ledger.name}.web")


def recording_path(folder: Path, digest: str) -> Path:
    """Return where a recording is kept.

    Parameters
    ----------
    folder : Path
        As `kept_folder`.
    digest : str
        SHA-256 of the file.
    """
    return folder / "recordings" / digest


def store_recording(folder: Path, path: Path, digest: str) -> bool:
    """Keep a recording; it is on the disk when this returns. Return whether it is new.

    Raises
    ------
    InputError
        It cannot be written; nothing is left of it then.
    """
    target = recording_path(folder, digest)
    private_folder(folder)
    private_folder(target.parent)
    if target.exists():
        return False
    try:
        with part_file(target, mode=0o600) as part, path.open("rb") as source, part.open("wb") as copy:
            shutil.copyfileobj(source, copy, 1 << 20)
            copy.flush()
            os.fsync(copy.fileno())
        sync_folder(target.parent)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); send it again") from error
    return True


def recording_is_kept(folder: Path, digest: str) -> None:
    """Write down that a recording belongs to the records: `recording_findings` misses it from now on.

    Raises
    ------
    InputError
        It cannot be written.
    """
    target = folder / "recordings" / _LIST
    try:
        append_synced(target, digest.encode() + b"\n")
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror}); free some room") from error


def recording_findings(folder: Path) -> tuple[str, ...]:
    """Return what is wrong with the recordings, one sentence each: every one kept is to be there and unchanged."""
    place = folder / "recordings"
    if not place.is_dir():
        return ()
    try:
        listed = (place / _LIST).read_text(encoding="ascii", errors="replace").split()
    except OSError:
        listed = []
    wanted = {one for one in listed if _DIGEST.fullmatch(one)}
    present = {one.name for one in place.iterdir() if _DIGEST.fullmatch(one.name)}
    findings = [f"recording {one[:12]} is missing from {place}" for one in sorted(wanted - present)]
    for one in sorted(present):
        try:
            with (place / one).open("rb") as stream:
                same = hashlib.file_digest(stream, "sha256").hexdigest() == one
        except OSError as error:
            findings.append(f"recording {one[:12]} cannot be read ({error.strerror})")
            continue
        if not same:
            findings.append(f"recording {one[:12]} was changed: its content does not match its hash")
    return tuple(findings)
