"""The commands of the record, as an operator types them beside a service that ran."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy.orm import Session

from wearvision.cli import SERVICE_COMMANDS
from wearvision_api.commands import COMMANDS
from wearvision_api.record.commands import RECORD_COMMANDS
from wearvision_api.record.ledger import append
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.tables import Account, PhotoRow


@pytest.fixture
def does(settings: Settings, chain: Session) -> Callable[..., Result]:
    """Runs a command on the data folder of ``chain``."""
    chain.rollback()  # a command writes while nobody else does

    def run(name: str, *options: str) -> Result:
        return CliRunner().invoke(COMMANDS[name], [*options, "--data", str(settings.data)])

    return run


def test_every_command_stands_in_the_list_of_the_library() -> None:
    assert set(RECORD_COMMANDS) <= set(COMMANDS) == set(SERVICE_COMMANDS)


def test_verify_tells_whole_and_broken_by_its_exit_status(
    does: Callable[..., Result], unguarded: Callable[..., None], tmp_path: Path
) -> None:
    whole = does("verify")
    assert whole.exit_code == 0, whole.output
    assert "Whole: 7 entries" in whole.stdout
    assert "compared with no head kept elsewhere" in whole.stdout
    unguarded("update record_entries set who = 'bo' where place = 2")
    broken = does("verify")
    assert broken.exit_code == 1
    assert "Broken at entry 2" in broken.stdout


def test_head_kept_elsewhere_finds_a_tail_that_was_cut(
    does: Callable[..., Result], unguarded: Callable[..., None], tmp_path: Path
) -> None:
    assert does("head", "--out", str(tmp_path / "heads.json")).exit_code == 0
    assert "fits 1 heads" in does("verify", "--head", str(tmp_path / "heads.json")).stdout
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "2026-03-02.json").write_text((tmp_path / "heads.json").read_text())
    unguarded("delete from record_entries where place > 5")
    assert does("verify").exit_code == 0
    for kept in ("heads.json", "kept"):
        cut = does("verify", "--head", str(tmp_path / kept))
        assert cut.exit_code == 1
        assert "Broken at entry 6: cut off here" in cut.stdout


def test_head_names_the_service_key_in_the_record_first(does: Callable[..., Result]) -> None:
    """The data folder has no key yet: one is made, and is part of what is signed."""
    signed = json.loads(does("head").stdout)
    assert signed["place"] == 8
    assert "nobody vouches" in does("verify").stdout


def test_export_of_some_days_can_be_checked_alone(does: Callable[..., Result], chain: Session, tmp_path: Path) -> None:
    day = str(append(chain, "anna", "changed", "return", "r").at)[:10]
    chain.commit()
    file = tmp_path / "day.jsonl"
    done = does("export-record", "--from", day, "--to", day, "--out", str(file))
    assert done.exit_code == 0, done.output
    assert len(file.read_text().splitlines()) == 8
    assert "Whole: 8 entries" in does("verify", "--entries", str(file)).stdout
    (tmp_path / "part.jsonl").write_text("".join(file.read_text().splitlines(keepends=True)[3:]))
    assert "Whole: 5 entries" in does("verify", "--entries", str(tmp_path / "part.jsonl")).stdout
    text = file.read_text().replace("26-00042-31", "26-00042-32")
    (tmp_path / "changed.jsonl").write_text(text)
    assert "Broken at entry 2" in does("verify", "--entries", str(tmp_path / "changed.jsonl")).stdout
    assert does("export-record", "--to", "2001-01-01").stdout == ""


@pytest.mark.parametrize("text", ["", "{}\n", "no json\n", '{"place": 1}\n', "[" * 100_000 + "\n"])
def test_file_that_is_no_export_is_refused(does: Callable[..., Result], tmp_path: Path, text: str) -> None:
    (tmp_path / "bad.jsonl").write_text(text)
    bad = does("verify", "--entries", str(tmp_path / "bad.jsonl"))
    assert bad.exit_code == 1
    assert "no entry of a record" in bad.stderr


def test_renewed_key_is_vouched_for_by_the_old_one(does: Callable[..., Result], tmp_path: Path) -> None:
    does("head", "--out", str(tmp_path / "old.json"))
    done = does("renew-key")
    assert done.exit_code == 0, done.output
    does("head", "--out", str(tmp_path / "new.json"))
    old, new = (json.loads((tmp_path / name).read_text()) for name in ("old.json", "new.json"))
    assert old["public_key"] != new["public_key"]
    assert new["place"] == old["place"] + 1
    seen = does("verify", "--head", str(tmp_path / "old.json"), "--head", str(tmp_path / "new.json"))
    assert seen.exit_code == 0, seen.output
    assert "fits 2 heads" in seen.stdout


def test_photo_is_erased_by_command_and_still_verifies(
    does: Callable[..., Result], chain: Session, settings: Settings
) -> None:
    blobs = Blobs(settings.blob_url)
    blobs.check()
    name = blobs.put(b"a photo")
    chain.add(Account(id="a", name="anna", role="counter"))
    chain.flush()
    said = {"media_type": "image/jpeg", "bytes": 7, "width": 1, "height": 1, "purpose": "other"}
    chain.add(PhotoRow(id="p", owner_id="a", sha256=name, **said))
    append(chain, "anna", "added", "return", "r", photos=[name])
    chain.commit()
    missing = does("verify", "--photos")
    assert missing.exit_code == 1, "the photo of entry 3 was never there"
    assert "Broken at entry 3" in missing.stdout
    blobs_of_three = Path(blobs.root) / "ab" / ("ab" * 32)
    blobs_of_three.parent.mkdir(exist_ok=True)
    blobs_of_three.write_bytes(b"other bytes")
    assert "was changed" in does("verify", "--photos").stdout
    refused = does("erase-photo", "p", "--reason", "by letter")
    assert refused.exit_code == 1, "nobody said yes"
    done = does("erase-photo", "p", "--reason", "by letter", "--by", "office", "--yes")
    assert done.exit_code == 0, done.output
    assert "was changed" in does("verify", "--photos").stdout, "entry 3 still is the first broken link"
    again = does("erase-photo", "p", "--reason", "by letter", "--yes")
    assert again.exit_code == 1
    assert "was erased on" in again.stderr


def test_folder_without_a_record_is_told_in_a_line(tmp_path: Path) -> None:
    nowhere = CliRunner().invoke(COMMANDS["verify"], ["--data", str(tmp_path / "nowhere")])
    assert nowhere.exit_code == 1
    assert "is --data right?" in nowhere.stderr
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "wearvision.sqlite").write_bytes(b"no database at all" * 100)
    bad = CliRunner().invoke(COMMANDS["verify"], ["--data", str(tmp_path / "data")])
    assert bad.exit_code == 1
    assert "cannot be read" in bad.stderr
    assert not (tmp_path / "nowhere").exists()


def test_damaged_key_file_is_told_in_a_line(does: Callable[..., Result], settings: Settings) -> None:
    path = settings.record_key_path
    path.touch(0o600)
    path.write_text("not a key")
    bad = does("head")
    assert bad.exit_code == 1
    assert "no private key" in bad.stderr
