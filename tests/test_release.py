"""A release as somebody gets it: built from the sources, installed elsewhere, run from another folder."""

import os
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

SHARED = sysconfig.get_path("purelib")
"""Where the libraries are. The package index is not asked again for them."""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the source distribution, and the wheel that was built from it."""
    pytest.importorskip("build", reason="build is not installed: pip install build")
    source = tmp_path_factory.mktemp("source")
    out = tmp_path_factory.mktemp("release")
    tracked = subprocess.run(
        ["git", "ls-files", "-coz", "--exclude-standard"], capture_output=True, cwd=ROOT, check=False
    )
    if tracked.returncode:
        pytest.skip("this is no clone: git has no list of the files")
    for name in tracked.stdout.decode().split("\0"):
        if name and (ROOT / name).is_file():
            (source / name).parent.mkdir(parents=True, exist_ok=True)
            (source / name).write_bytes((ROOT / name).read_bytes())
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), str(source)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    return out


def installed(wheel: Path, folder: Path) -> Path:
    """The commands of a fresh environment that has the wheel, and no other copy of the recorder."""
    venv.create(folder, with_pip=True)
    (site,) = folder.glob("lib/python3*/site-packages")
    (site / "shared.pth").write_text("\n".join(each for each in sys.path if each.endswith("site-packages")))
    pip = [str(folder / "bin/python"), "-m", "pip", "install", "-q", "--no-deps", "--no-index", str(wheel)]
    subprocess.run(pip, check=True)
    return folder / "bin"


@pytest.mark.slow
def test_the_wheel_plays_the_demo_from_another_folder(built: Path, tmp_path: Path) -> None:
    (wheel,) = built.glob("*.whl")
    commands = installed(wheel, tmp_path / "fresh")
    away = tmp_path / "away"
    away.mkdir()
    where = [str(commands / "python"), "-c", "import recorder; print(recorder.__file__)"]
    found = subprocess.run(where, capture_output=True, text=True, cwd=away, check=True).stdout
    assert Path(found).is_relative_to(tmp_path / "fresh")
    command = [str(commands / "batch-recorder"), "demo", "--out", "out"]
    run = subprocess.run(command, capture_output=True, text=True, cwd=away, check=False, timeout=300)
    assert run.returncode == 0, run.stdout + run.stderr
    assert {path.name for path in (away / "out").iterdir()} >= {"records.db", "report.html"}
    verify = subprocess.run([str(commands / "batch-recorder"), "verify", "out/records.db"], cwd=away, check=False)
    assert verify.returncode == 0


@pytest.mark.slow
def test_the_source_distribution_can_run_its_own_tests(built: Path, tmp_path: Path) -> None:
    """Some of each kind: what needs documents, records, the firmware, other packages and the voices."""
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        packed.extractall(tmp_path, filter="data")
    (root,) = tmp_path.iterdir()
    names = ["documents", "codec", "firmware_notes", "plugins", "sentences", "story", "command_line"]
    command = [sys.executable, "-m", "pytest", "-n", "0", "-p", "no:cacheprovider"]
    command += [f"tests/test_{name}.py" for name in names]
    variables = {**os.environ, "PYTHONPATH": str(root), "PYTEST_ADDOPTS": "", "RECORDER_ALL_TESTS": ""}
    run = subprocess.run(command, capture_output=True, text=True, cwd=root, env=variables, check=False)
    assert run.returncode == 0, run.stdout[-3000:] + run.stderr


def test_the_wheel_has_what_the_program_reads_and_nothing_of_the_tests(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        names = set(packed.namelist())
        (metadata,) = (packed.read(name).decode() for name in names if name.endswith("/METADATA"))
    share = {path.relative_to(ROOT).as_posix() for path in (ROOT / "recorder/share").rglob("*") if path.is_file()}
    assert share - names == set()
    assert {name.split("/")[0] for name in names if ".dist-info/" not in name} == {"recorder"}
    assert "Project-URL" not in metadata
    assert "Home-page" not in metadata
    assert "Classifier: Operating System :: POSIX :: Linux" in metadata
