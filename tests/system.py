"""System packages that some tests need: skipped where they lack, but never in CI."""

import os
import shutil

import pytest


def needs(program: str, package: str) -> pytest.MarkDecorator:
    """Skips the test, naming `package`, where `program` is missing; in CI (RECORDER_ALL_TESTS) it runs and fails."""
    absent = shutil.which(program, path=f"{os.environ.get('PATH', '')}:/usr/sbin") is None
    reason = f"{program} is missing: apt install {package}"
    return pytest.mark.skipif(absent and not os.environ.get("RECORDER_ALL_TESTS"), reason=reason)
