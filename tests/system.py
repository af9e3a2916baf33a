"""System packages that some tests need: skipped where they lack, which fails in CI (conftest.py)."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest


def needs(program: str, package: str) -> pytest.MarkDecorator:
    """Skips the test, naming `package`, where `program` is missing."""
    absent = shutil.which(program, path=f"{os.environ.get('PATH', '')}:/usr/sbin") is None
    reason = f"{program} is missing: apt install {package}"
    return pytest.mark.skipif(absent, reason=reason)


def compiled(source: str, folder: Path) -> Path:
    """The library of `source`, a C file beside this one, put into `folder`; skips where it can't be compiled."""
    if sys.platform != "linux":
        pytest.skip(f"{source} stands before Linux's C library")
    if shutil.which("gcc") is None:
        pytest.skip("gcc is missing: apt install gcc libc6-dev")
    library = (folder / source).with_suffix(".so")
    command = ["gcc", "-Wall", "-Wextra", "-O1", "-shared", "-fPIC", "-o", str(library)]
    subprocess.run([*command, str(Path(__file__).with_name(source)), "-ldl", "-lpthread"], check=True)
    return library
