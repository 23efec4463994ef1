"""Pictures into a folder that the person named."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from acq.errors import WrongInput


def write_pictures(folder: Path, pictures: Mapping[str, str]) -> list[Path]:
    """Write each picture by its name, making the folder where it is missing.

    Returns the paths; raises WrongInput when the folder cannot take them.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in pictures.items():
            (folder / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise WrongInput(f"{folder}: pictures cannot be written: {error.strerror}") from error
    return [folder / name for name in pictures]
