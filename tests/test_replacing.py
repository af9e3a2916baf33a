"""What `report`, `export` and `phrases --out` write over: only what they made from the same records."""

import json
import lzma
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app

RECORD = min(Path("fixtures/records").resolve().glob("*.db.xz"), key=lambda each: each.stat().st_size)

OTHER = RECORD.with_name("rules-5.db.xz")


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(word) for word in words])
    return done.exit_code, done.output


@pytest.fixture
def records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "records.db"
    path.write_bytes(lzma.decompress(RECORD.read_bytes()))
    return path


def test_a_report_is_replaced_by_one_of_the_same_station_alone(records: Path) -> None:
    page = Path("day.html")
    assert run("report", records, "--out", page)[0] == 0
    first = page.read_bytes()
    page.write_bytes(first + b"<!-- older -->")
    assert run("report", records, "--out", page)[0] == 0 and b"older" not in page.read_bytes()
    title = first.partition(b"<title>")[2].partition(b"</title>")[0]
    for mine in (b"my own notes\n", first.replace(title, b"another-station, 2026-01-02")):
        page.write_bytes(mine)
        code, said = run("report", records, "--out", page)
        assert code == 2 and "day.html is there already and no report of" in said and page.read_bytes() == mine
        assert "--force" in said
    assert run("report", records, "--out", page, "--force")[0] == 0 and title in page.read_bytes()


def test_an_export_is_replaced_by_one_of_the_same_records_alone(records: Path) -> None:
    """Two stations' files are often called the same, and the folder has a default."""
    assert run("export", records)[0] == 0 and run("export", records)[0] == 0
    assert run("export", records, "--as", "jsonl")[0] == 0
    manifest = Path("export/manifest.json")
    told = json.loads(manifest.read_text())
    older = {key: value for key, value in told.items() if key != "first_entry"}
    manifest.write_text(json.dumps(older))  # as the versions before this rule wrote it
    assert run("export", records)[0] == 0
    before = manifest.read_bytes()
    Path("other").mkdir()
    shutil.copy(records, "other/records.db")
    assert run("export", "other/records.db")[0] == 0, "a copy is the same record"
    Path("other/records.db").write_bytes(lzma.decompress(OTHER.read_bytes()))
    code, said = run("export", "other/records.db")
    assert code == 2 and "from no export of these records" in said and manifest.read_bytes() == before
    assert run("export", "other/records.db", "--force")[0] == 0 and manifest.read_bytes() != before
    Path("mine").mkdir()
    Path("mine/notes.txt").write_text("kept")
    assert run("export", records, "--out", "mine")[0] == 0, "nothing of it is in the way"
    Path("mine/manifest.json").write_text("[]")
    assert run("export", records, "--out", "mine")[0] == 2 and Path("mine/manifest.json").read_text() == "[]"


@pytest.mark.parametrize("name", ["card.pdf", "card.html"])
def test_a_card_is_replaced_by_a_card_alone(tmp_path: Path, name: str) -> None:
    out = tmp_path / name
    assert run("phrases", "--out", out)[0] == 0
    assert run("phrases", "--out", out, "--paper", "letter")[0] == 0
    out.write_bytes(b"a poster")
    code, said = run("phrases", "--out", out)
    assert code == 2 and "no card of this program" in said and out.read_bytes() == b"a poster"
    assert run("phrases", "--out", out, "--force")[0] == 0 and out.read_bytes() != b"a poster"
