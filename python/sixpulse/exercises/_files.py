"""Bytes of the learner's files: the same from the same set, and as alike as files of different captures can be."""

from __future__ import annotations

import io
import os
import struct
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from .._core import Capture
from .._files import make_folder, write_whole

#: Modification time of every learner's file: 2000-01-01 00:00 UTC.
MODIFIED_S = 946_684_800


def csv_bytes(capture: Capture) -> bytes:
    """Two channels over time; every row of every capture is equally wide."""
    names = list(capture.names)
    columns = [np.arange(capture.sample_count) / capture.sample_rate_hz, *(capture[name].values() for name in names)]
    header = ",".join(["time (s)", *names])
    buffer = io.StringIO()
    np.savetxt(
        buffer,
        np.column_stack(columns),
        fmt=["%.8f", *["%+.6e"] * len(names)],
        delimiter=",",
        header=header,
        comments="",
        newline="\n",
    )
    return buffer.getvalue().encode()


def npz_bytes(capture: Capture) -> bytes:
    """Converter counts with their volts; neither compressed nor dated, so that size and header tell nothing."""
    arrays: dict[str, np.ndarray] = {"sample_rate_hz": np.asarray(capture.sample_rate_hz, dtype="<f8")}
    for name, trace in capture.items():
        arrays[name] = np.asarray(trace.raw(), dtype="<i2")
        arrays[f"{name}_lsb"] = np.asarray(trace.scale, dtype="<f8")
        arrays[f"{name}_offset"] = np.asarray(trace.offset, dtype="<f8")
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for name, array in arrays.items():
            member = io.BytesIO()
            np.lib.format.write_array(member, array, version=(1, 0), allow_pickle=False)
            entry = zipfile.ZipInfo(f"{name}.npy", date_time=(1980, 1, 1, 0, 0, 0))
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, member.getvalue())
    return buffer.getvalue()


def padded_pngs(pictures: Sequence[bytes]) -> list[bytes]:
    """PNG images brought to one size by a private, ancillary chunk of zeros, which every reader passes over."""
    most = max((len(picture) for picture in pictures), default=0) + 12
    return [_padded(picture, most) for picture in pictures]


def _padded(picture: bytes, size: int) -> bytes:
    end = picture.rindex(b"IEND") - 4
    kind, content = b"paDd", bytes(size - len(picture) - 12)
    chunk = struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
    return picture[:end] + chunk + picture[end:]


def write_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files below a folder, each whole or not at all, in the order of their names, all of one date.

    Raises
    ------
    UnwritableFileError
        A folder or file cannot be written.
    """
    for name in sorted(files):
        path = folder / name
        make_folder(path.parent)
        content = files[name]
        write_whole(path, lambda stream, content=content: stream.write(content))  # type: ignore[misc]
        os.utime(path, (MODIFIED_S, MODIFIED_S))
