"""`setup`, below a folder of its own; the unit's hardening, as systemd's own tools and the kernel judge it."""

import os
import re
import subprocess
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from recorder.__main__ import app
from recorder.config import load
from recorder.deployment import CONFIG, OURS, UNIT, YOURS
from tests.system import needs

PROGRAM = "/usr/bin/env"
"""Stands for the installed program: a path that is there."""

MOST_EXPOSED = 2.1
"""Of 10, by `systemd-analyze security`; what is left are the devices, the network, and asking for the clock's state."""


def setup(root: Path, *more: str) -> Result:
    return CliRunner().invoke(app, ["setup", "--root", str(root), "--program", PROGRAM, *more])


def files(root: Path) -> dict[str, str]:
    return {str(path.relative_to(root)): path.read_text() for path in root.rglob("*") if path.is_file()}


def test_a_dry_run_shows_all_and_writes_nothing(tmp_path: Path) -> None:
    shown = setup(tmp_path)
    assert shown.exit_code == 0
    assert f"+ExecStart={PROGRAM} run --config /{CONFIG}" in shown.output
    assert f"Nothing was written. To write {len({*OURS, *YOURS})} files" in shown.output
    assert shown.output.endswith(f"/batch-recorder setup --write --root {tmp_path} --program {PROGRAM}\n")
    assert files(tmp_path) == {}


def test_it_writes_every_file_once_and_says_what_is_next(tmp_path: Path) -> None:
    written = setup(tmp_path, "--write")
    assert written.exit_code == 0
    assert "systemctl daemon-reload && systemctl enable --now batch-recorder" in written.output
    before = files(tmp_path)
    assert before.keys() == {*OURS, *YOURS}
    assert all((tmp_path / name).stat().st_mode & 0o777 == 0o644 for name in before)
    again = setup(tmp_path, "--write")
    assert [line.split()[0] for line in again.output.splitlines()] == ["same"] * len(before) + ["Nothing"]
    assert files(tmp_path) == before


def test_what_it_ships_is_a_station_that_can_be_loaded(tmp_path: Path) -> None:
    setup(tmp_path, "--write")
    assert load(tmp_path / CONFIG).station == "fry-line-1"


def test_a_kitchens_own_configuration_stays_and_a_changed_unit_is_shown_and_replaced(tmp_path: Path) -> None:
    setup(tmp_path, "--write")
    (tmp_path / CONFIG).write_text('station = "ours"\n')
    unit = (tmp_path / UNIT).read_text()
    (tmp_path / UNIT).write_text(unit.replace("WatchdogSec=30", "WatchdogSec=0"))
    shown = setup(tmp_path)
    assert "it is your own and stays" in shown.output
    assert "-WatchdogSec=0\n+WatchdogSec=30" in shown.output
    assert "ours" not in shown.output
    setup(tmp_path, "--write")
    assert (tmp_path / CONFIG).read_text() == 'station = "ours"\n'
    assert (tmp_path / UNIT).read_text() == unit


@pytest.mark.parametrize(
    ("program", "complaint"),
    [
        ("/home/cook/venv/bin/batch-recorder", "may not look"),
        ("/root/b", "may not look"),
        ("/opt/x y", "no path"),
        ("b", "no path"),
    ],
)
def test_a_program_that_a_service_could_not_start_is_refused(tmp_path: Path, program: str, complaint: str) -> None:
    refused = setup(tmp_path, "--write", "--program", program)
    assert refused.exit_code == 2
    assert complaint in refused.output and "below /opt" in refused.output
    assert files(tmp_path) == {}


def test_a_place_that_can_t_be_written_is_named_with_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "etc").write_text("in the way")
    refused = setup(tmp_path, "--write")
    assert refused.exit_code == 2
    assert "etc/systemd/system/batch-recorder.service" in refused.output and "sudo" in refused.output


def test_a_link_in_a_files_place_is_replaced_and_not_followed(tmp_path: Path) -> None:
    """A masked unit is such a link, to /dev/null: systemd.unit(5)."""
    (tmp_path / "elsewhere").write_text("not ours")
    (tmp_path / UNIT).parent.mkdir(parents=True)
    (tmp_path / UNIT).symlink_to(tmp_path / "elsewhere")
    assert "changed" in setup(tmp_path, "--write").output
    assert (tmp_path / "elsewhere").read_text() == "not ours"
    assert not (tmp_path / UNIT).is_symlink()


def test_the_udev_rule_is_of_known_keys(tmp_path: Path) -> None:
    """Keys and operators as udev(7) lists them; the tags as ModemManager's "Common udev tags" does."""
    setup(tmp_path, "--write")
    rules = (tmp_path / "etc/udev/rules.d/60-batch-recorder.rules").read_text().splitlines()
    known = r"(ACTION|SUBSYSTEMS?|KERNELS?|GROUP|MODE|SYMLINK|GOTO|LABEL|ENV\{ID_MM_(DEVICE|PORT)_IGNORE\})"
    for line in rules:
        assert line.startswith("#") or re.fullmatch(
            rf'{known}(==|!=|=|\+=)"[^"]+"(, {known}(==|!=|=|\+=)"[^"]+")*', line
        )


@needs("systemd-sysusers", "systemd")
@pytest.mark.skipif(os.geteuid() != 0, reason="makes a user below a folder, as root")
def test_systemd_makes_the_user_and_the_folders_of_it(tmp_path: Path) -> None:
    setup(tmp_path, "--write")
    for command in ("systemd-sysusers", "systemd-tmpfiles --create"):
        subprocess.run([*command.split(), f"--root={tmp_path}", "batch-recorder.conf"], check=True, timeout=30)
    name, _, uid, gid, *_ = (tmp_path / "etc/passwd").read_text().splitlines()[-1].split(":")
    groups = (tmp_path / "etc/group").read_text()
    assert name == "batch-recorder" and 0 < int(uid) < 1000
    for group in ("dialout", "audio", "input", "bluetooth"):
        assert re.search(rf"^{group}:.*:batch-recorder$", groups, re.MULTILINE)
    state, config = tmp_path / "var/lib/batch-recorder", tmp_path / "etc/batch-recorder"
    found = [(path.stat().st_uid, path.stat().st_gid, path.stat().st_mode & 0o777) for path in (state, config)]
    assert found == [(int(uid), int(gid), 0o750), (0, int(gid), 0o750)]


@needs("systemd-analyze", "systemd")
@pytest.mark.parametrize("name", [UNIT, "etc/systemd/system/batch-recorder-upkeep.service"])
def test_systemd_finds_no_fault_with_the_unit_and_little_exposure(tmp_path: Path, name: str) -> None:
    setup(tmp_path, "--write")
    unit = str(tmp_path / name)
    verified = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, timeout=60)
    assert verified.stderr == ""
    judged = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", unit], capture_output=True, text=True, timeout=60
    )
    found = re.search(r"exposure level for .*: ([\d.]+)", judged.stdout)
    assert found, judged.stdout + judged.stderr
    assert float(found[1]) <= MOST_EXPOSED, judged.stdout
