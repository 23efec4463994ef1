"""Which kind of filesystem a folder lies on. Linux only; elsewhere nothing can be said.

Read from /proc/self/mountinfo (Linux manual page proc(5), "mountinfo"): the mount point that
is the longest prefix of the path decides, and the latest mount on that point.
"""

from __future__ import annotations

import re
from pathlib import Path, PurePosixPath

_MOUNTS = Path("/proc/self/mountinfo")
_SHARED = frozenset(
    {
        "9p",
        "afs",
        "beegfs",
        "ceph",
        "cifs",
        "coda",
        "gfs2",
        "glusterfs",
        "lustre",
        "ncpfs",
        "nfs",
        "nfs4",
        "ocfs2",
        "smb2",
        "smb3",
        "smbfs",
        "vboxsf",
    }
)
_SHARED_BY_FUSE = ("sshfs", "davfs", "gvfs", "rclone", "s3fs", "glusterfs", "ceph", "smb")
_ESCAPE = re.compile(r"\\([0-7]{3})")


def kind_of_filesystem(folder: Path) -> str | None:
    """Return the kind (such as "ext4") of the filesystem of an existing folder; None if unknown."""
    try:
        mounts = _MOUNTS.read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return None
    return kind_in(mounts, PurePosixPath(folder.resolve()))


def kind_in(mounts: str, path: PurePosixPath) -> str | None:
    """Return the kind that a mountinfo text states for an absolute path."""
    found: tuple[int, str] | None = None
    for line in mounts.splitlines():
        before, separator, after = line.partition(" - ")
        fields = before.split()
        if not separator or len(fields) < 5:
            continue
        point = PurePosixPath(_ESCAPE.sub(lambda code: chr(int(code[1], 8)), fields[4]))
        if path.is_relative_to(point) and (found is None or len(point.parts) >= found[0]):
            found = len(point.parts), after.split()[0]
    return found[1] if found else None


def is_shared(kind: str) -> bool:
    """Tell whether a filesystem of this kind is kept by another machine."""
    if kind.startswith("fuse."):
        return kind.removeprefix("fuse.").startswith(_SHARED_BY_FUSE)
    return kind in _SHARED
