"""A file replaced as a whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def replace_file(path: Path, content: bytes) -> None:
    """New content for a file, on the disk before it takes the old one's place."""
    handle, made = tempfile.mkstemp(dir=path.parent, prefix=".forget-", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        Path(made).chmod(path.stat().st_mode & 0o777 if path.exists() else 0o600)
        Path(made).replace(path)
    except BaseException:
        Path(made).unlink(missing_ok=True)
        raise
