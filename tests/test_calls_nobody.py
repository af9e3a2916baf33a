"""A recorder calls nobody: what it hears with, and every library that it may import, in a network without a way out and
with a home of its own. The kernel tells what was tried (strace)."""

import ast
import importlib.metadata
import os
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

from tests.system import needs

ROOT = Path(__file__).parent.parent
CLIPS = ROOT / "recorder/share/voices"

CALLS = re.compile(
    r"(?:connect|sendto|sendmsg|sendmmsg)\(.*sa_family=AF_(?:INET|UNIX).*|open.*/etc/(?:resolv\.conf|hosts)\".*"
)
"""A connection or datagram, also to a local resolver's socket; the files that a resolver reads."""

pytestmark = needs("strace", "strace")


@cache
def caged() -> list[str]:
    """What puts a program into a network without a way out; nothing where this user may not."""
    for unshare in (["unshare", "-n"], ["unshare", "-rn"]):
        if subprocess.run([*unshare, "true"], capture_output=True).returncode == 0:
            return unshare
    return []


def tried(folder: Path, *command: str) -> tuple[list[str], list[str]]:
    """What `command` called, and the files that it left in its home."""
    home, trace = folder / "home", folder / "trace"
    home.mkdir()
    path = os.pathsep.join([str(ROOT), *filter(None, sys.path)])
    keep = {"PATH": os.environ["PATH"], "PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1", "HOME": str(home)}
    seen = ["strace", "-f", "-qq", "-s", "256", "-e", "trace=network,open,openat", "-o", str(trace)]
    done = subprocess.run([*caged(), *seen, *command], env=keep, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    calls = [line for line in trace.read_text("utf-8", "replace").splitlines() if CALLS.search(line)]
    return calls, [str(each.relative_to(home)) for each in home.rglob("*") if each.is_file()]


def modules() -> list[str]:
    """Every installed library of pyproject.toml but those of `dev`, and each module that a file of ours imports."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = (names for extra, names in project["optional-dependencies"].items() if extra != "dev")
    needed = [each for names in (project["dependencies"], *extras) for each in names]
    wanted = {found[0].lower() for each in needed if (found := re.match(r"[\w-]+", each))}
    brought = importlib.metadata.packages_distributions()
    tops = {
        module
        for module, names in brought.items()
        if not module.startswith("_") and {name.lower().replace("_", "-") for name in names} & wanted
    }
    ours: set[str] = set()
    for file in (ROOT / "recorder").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            named = [each.name for each in node.names] if isinstance(node, ast.Import) else []
            ours |= {*named, *([node.module] if isinstance(node, ast.ImportFrom) and node.module else [])}
    return sorted(tops | {module for module in ours if module.partition(".")[0] in tops})


def test_the_cage_sees_a_call_and_a_file(tmp_path: Path) -> None:
    """Or the other tests could not fail."""
    code = (
        "import socket, pathlib, contextlib\n"
        "with contextlib.suppress(OSError): socket.getaddrinfo('example.invalid', 443)\n"
        "with contextlib.suppress(OSError): socket.create_connection(('192.0.2.1', 443), 0.1)\n"
        "(pathlib.Path.home() / 'id').write_text('1')\n"
    )
    calls, files = tried(tmp_path, sys.executable, "-c", code)
    assert any("resolv.conf" in call for call in calls) and any("192.0.2.1" in call for call in calls)
    assert files == ["id"]


def test_hearing_calls_nobody_and_leaves_nothing(tmp_path: Path) -> None:
    """Whole commands, by the default engine, with all that it loads."""
    pytest.importorskip("onnxruntime")
    wavs = [str(CLIPS / name) for name in ("batch-start.wav", "probe-thigh.wav")]
    assert tried(tmp_path, sys.executable, "-m", "recorder", "hear", *wavs) == ([], [])


@pytest.mark.slow
def test_an_engine_that_waits_calls_nobody(tmp_path: Path) -> None:
    """onnxruntime 1.32 looks its collector up nine seconds after its import, as measured here; so it gets twenty."""
    pytest.importorskip("onnxruntime")
    code = (
        "import time; from recorder.config import load_phrases; from recorder.voice.ear import build;"
        "from recorder.voice.settings import VoiceSettings; build(load_phrases(None), VoiceSettings()); time.sleep(20)"
    )
    assert tried(tmp_path, sys.executable, "-c", code) == ([], [])


@pytest.mark.parametrize("module", modules())
def test_no_library_calls_anybody_or_leaves_anything(tmp_path: Path, module: str) -> None:
    """Imported as the recorder does: after itself."""
    assert tried(tmp_path, sys.executable, "-c", f"import recorder, {module}") == ([], [])
