"""Full, write-protected and broken disks under a working service: refused in plain words, read on, and taken again."""

from __future__ import annotations

import random
import time
from pathlib import Path

import httpx
import pytest

from .audit import Auditor, drafts
from .counts import counted
from .disks import BreakingDisk, fill, remount, small_disk
from .keeper import Keeper, Service
from .traffic import Crowd

pytestmark = pytest.mark.slow


def auditor_of(data: Path, photos: Path | None = None) -> Auditor:
    return Auditor(f"sqlite:///{data / 'wearvision.sqlite'}", f"file://{photos or data / 'photos'}")


def wait_for(crowd: Crowd, status: int, count: int = 2) -> None:
    """Waits until so many further answers had this status."""
    before, until = crowd.book.told.get(status, 0), time.monotonic() + 60
    while crowd.book.told.get(status, 0) < before + count:
        assert time.monotonic() < until, f"answered {crowd.book.told}, not {status}"
        time.sleep(0.02)


def demand_reading(service: Service, crowd: Crowd) -> None:
    """Photos, lists and pages are read while nothing can be written."""
    photo = next(one for one in crowd.book.answered() if one.kind == "photo")
    with httpx.Client(base_url=service.addresses[0], timeout=30, trust_env=False) as http:
        found = http.get(f"/api/v1/photos/{(photo.answer or {})['id']}/content")
        assert (found.status_code, found.content) == (200, photo.sent["files"]["file"][1])
        for page in ("/api/v1/grades", "/grades", "/returns", "/"):
            assert http.get(page).status_code == 200, page
        assert http.get("/healthz").status_code == 200


def page_says(service: Service, photo: bytes) -> tuple[int, str]:
    """What somebody reads who sends a photo by the form."""
    files = {"file": ("photo.jpg", photo + b"page", "image/jpeg")}
    answer = httpx.post(
        f"{service.addresses[0]}/grade", files=files, headers={"Accept": "text/html"}, timeout=30, trust_env=False
    )
    return answer.status_code, answer.text


def test_a_full_disk_refuses_and_takes_again(keeper: Keeper, small: bytes, tmp_path: Path) -> None:
    row = counted("full disk (records and photos)")
    with small_disk(tmp_path / "disk", 96) as disk:
        service = Service(keeper, "full", disk / "data")
        auditor = auditor_of(disk / "data")
        with Crowd(service.addresses, small, random.randrange(1000)) as crowd:
            crowd.wait_for_answers(5)
            for number in range(6):
                ballast = fill(disk)
                wait_for(crowd, 507)
                row.times += 1
                assert page_says(service, small)[0] == 507
                demand_reading(service, crowd)
                row.take(auditor.look(crowd.book.answered()))
                if number % 2:
                    row.kills += keeper.kill(service.names[0])  # it has to begin on a full disk, or as soon as it can
                    time.sleep(2)
                ballast.unlink()
                moment = time.monotonic()
                row.back_s.append(crowd.wait_for_answers(1) - moment)
        assert not crowd.book.odd, crowd.book.odd[:3]
        crowd.send_again()
        row.take(auditor.look(crowd.book.answered(), every_blob=True))
        assert not drafts(disk)
        auditor.close()
        service.end()


def test_write_protected_photos_are_read_on(keeper: Keeper, small: bytes, tmp_path: Path) -> None:
    row = counted("store of photos mounted read-only")
    with small_disk(tmp_path / "photos", 96) as photos:
        service = Service(keeper, "protected", tmp_path / "data", blobs=f"file://{photos}")
        auditor = auditor_of(tmp_path / "data", photos)
        with Crowd(service.addresses, small, random.randrange(1000)) as crowd:
            crowd.wait_for_answers(5)
            for _ in range(5):
                remount(photos, "ro")
                wait_for(crowd, 503)
                row.times += 1
                status, text = page_says(service, small)
                assert (status, "can be read but not written" in text) == (503, True), text
                demand_reading(service, crowd)
                row.take(auditor.look(crowd.book.answered()))
                remount(photos, "rw")
                moment = time.monotonic()
                row.back_s.append(crowd.wait_for_answers(1) - moment)
        assert not crowd.book.odd, crowd.book.odd[:3]
        crowd.send_again()
        row.take(auditor.look(crowd.book.answered(), every_blob=True))
        auditor.close()
        service.end()


def test_a_disk_that_breaks_keeps_what_was_acknowledged(keeper: Keeper, small: bytes, tmp_path: Path) -> None:
    """The kernel finds an error and lets nothing be written any more; somebody repairs it, and the service starts."""
    row = counted("disk that breaks: file system turns read-only")
    disk = BreakingDisk(tmp_path / "image", tmp_path / "disk", 128)
    data = disk.folder / "data"
    try:
        for number in range(3):
            service = Service(keeper, f"breaking-{number}", data)
            with Crowd(service.addresses, small, random.randrange(1000)) as crowd:
                crowd.wait_for_answers(8)
                disk.fail()
                row.times += 1
                wait_for(crowd, 503, 4)
                demand_reading(service, crowd)
                said = page_says(service, small)
                assert said[0] == 503, said
            assert not crowd.book.odd, crowd.book.odd[:3]
            service.end()
            disk.mend()
            moment = time.monotonic()
            service = Service(keeper, f"mended-{number}", data)
            row.back_s.append(time.monotonic() - moment)
            crowd.addresses = service.addresses
            auditor = auditor_of(data)
            row.take(auditor.look(crowd.book.answered()))
            crowd.send_again()
            row.take(auditor.look(crowd.book.answered(), every_blob=True))
            auditor.close()
            service.end()
    finally:
        disk.close()
