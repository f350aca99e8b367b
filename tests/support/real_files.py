"""Real camera files for the tests: fetched as data, kept outside the project, never copied into it.

A lossy-compressed 18-megapixel mosaic is in the source archive of a package of the Python package
index; it is downloaded once and kept in a cache folder. Two smaller files are looked for beside
the project. A test that needs one that can't be had skips with a plain message, except that
on CI (`CI=true`) the download must succeed.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

_ARCHIVE, _VERSION = "libraw-cffi", "0.19.0"
_MEMBER, _SIZE = "_DSC2164.ARW", 18_649_856
_BESIDE = Path(__file__).resolve().parents[2].parent / "shared" / "real_raws"
_PHOTOGRAPHS, _PHOTOGRAPHS_VERSION = "scikit-learn", "1.9.1"
"""Its wheel carries two sample photographs (their licence: Creative Commons Attribution)."""
_MINUTES_5 = 300


def real_mosaic() -> Path:
    """Return the path of the real lossy-compressed mosaic, downloading it where it isn't cached."""
    kept = cache_folder() / _MEMBER
    if kept.is_file() and kept.stat().st_size == _SIZE:
        return kept
    return _fetched(kept, f"{_ARCHIVE}=={_VERSION}", "--no-binary", ":all:")


def sample_photograph(name: str) -> Path:
    """Return the path of a sample photograph of a package, downloading it where it isn't cached."""
    kept = cache_folder() / name
    if kept.is_file():
        return kept
    return _fetched(kept, f"{_PHOTOGRAPHS}=={_PHOTOGRAPHS_VERSION}", "--only-binary", ":all:")


def _fetched(kept: Path, package: str, *options: str) -> Path:
    fault = _download(kept, package, *options)
    if fault is None:
        return kept
    message = f"{kept.name} of {package} can't be downloaded: {fault}"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)


def stack_of_planes() -> Path:
    """Return the path of a real raw of three full planes, without a mosaic or exposure data."""
    return _beside("stack_three_planes.raw")


def stripped_pixels() -> Path:
    """Return the path of a real linear DNG of which the pixels were removed."""
    return _beside("stripped_pixels.dng")


def _beside(name: str) -> Path:
    path = _BESIDE / name
    if not path.is_file():
        pytest.skip(
            f"the real raw file {name} isn't in the folder of real files beside the project"
        )
    return path


def cache_folder() -> Path:
    """Return the folder that outlives a run: `STOPWISE_TEST_CACHE`, or one of the user's caches."""
    named = os.environ.get("STOPWISE_TEST_CACHE")
    if named:
        return Path(named)
    if os.name == "nt":
        return Path(os.environ.get("LOCALAPPDATA", Path.home())) / "stopwise-tests"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "stopwise-tests"
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "stopwise-tests"


def _download(kept: Path, package: str, *options: str) -> str | None:
    """Fetch the archive as data and keep the one file; return what went wrong, if anything did."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pip", "download", "--no-deps", *options]
        command += ["--dest", folder, package]
        try:
            ran = subprocess.run(
                command, capture_output=True, text=True, timeout=_MINUTES_5, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            return str(error)
        archives = sorted(Path(folder).iterdir())
        if not archives:
            return (ran.stderr.strip().splitlines() or ["pip gave no archive"])[-1]
        return _extract(archives[0], kept)


def _extract(archive: Path, kept: Path) -> str | None:
    for data in _members(archive, kept.name):
        kept.parent.mkdir(parents=True, exist_ok=True)
        part = kept.with_suffix(f".{os.getpid()}")
        part.write_bytes(data)
        part.replace(kept)
        return None
    return f"{archive.name} doesn't hold {kept.name}"


def _members(archive: Path, name: str) -> Iterator[bytes]:
    """Yield the bytes of the members of a wheel or a source archive that have a name."""
    if zipfile.is_zipfile(archive):
        with zipfile.ZipFile(archive) as wheel:
            yield from (wheel.read(one) for one in wheel.namelist() if one.endswith(f"/{name}"))
        return
    with tarfile.open(archive) as tar:
        for member in tar:
            stream = tar.extractfile(member) if member.name.endswith(f"/{name}") else None
            if stream is not None:
                yield stream.read()
