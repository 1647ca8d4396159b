"""Pages on which many returns are handled at once, read as a counter would; rules of the desk."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

from bs4 import BeautifulSoup
from fastapi.testclient import TestClient

from wearvision.standard.limits import load_limits

UPPER = {True: "clean_from = 95.0", False: "replace_from = 95.0"}
LENIENT = "\n".join(
    f"[coupler.{row.measure}]\nserviceable_below = 90.0\n{UPPER[row.clean_from is not None]}"
    for row in load_limits().of_part("coupler")
)


def _parcel(samples: Path) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        rows = "part,machine,photos\ncoupler,KH-13,end-blower=a.jpg\ncoupler,KH-14,\nmuffler,KH-15,\n"
        archive.writestr("returns.csv", rows)
        archive.write(samples / "coupler-end-replace-1.jpg", "a.jpg")
    return out.getvalue()


def _rows(html: str) -> list[list[str]]:
    table = BeautifulSoup(html, "html.parser").find("table")
    assert table is not None
    return [[cell.get_text(" ", strip=True) for cell in row.find_all(["th", "td"])] for row in table.find_all("tr")[1:]]


def _send(client: TestClient, data: bytes) -> tuple[int, str]:
    answer = client.post("/returns/many", files={"file": ("parcel.zip", data, "application/zip")})
    return answer.status_code, answer.text


def test_a_parcel_sent_twice_tells_of_every_row(client: TestClient, samples: Path) -> None:
    parcel = _parcel(samples)
    status, html = _send(client, parcel)
    rows = _rows(html)
    assert status == 422  # one row was refused
    assert [row[0] for row in rows] == ["2", "3", "4"]
    assert [row[1] != "not taken" for row in rows] == [True, True, False]
    assert rows[0][2] == "taken in"
    assert "part" in rows[2][2]
    assert _rows(_send(client, parcel)[1])[0][2] == "was there already"
    status, html = _send(client, b"no archive")
    assert status == 422
    assert "no zip archive" in html


def test_regrading_counts_what_would_differ_and_names_what_cannot_be_told(client: TestClient, samples: Path) -> None:
    _send(client, _parcel(samples))
    same = BeautifulSoup(client.post("/returns/regrade", data={}).text, "html.parser")
    heading = same.find(id="differences")
    assert heading is not None
    assert heading.get_text() == "0 of 2 returns would differ"
    assert "It was never graded." in same.get_text()
    other = client.post("/returns/regrade", data={"limits": LENIENT})
    assert "1 of 2 returns would differ" in other.text
    assert "possible grades" in other.text
    bad = client.post("/returns/regrade", data={"limits": "[[", "policy": ""})
    assert bad.status_code == 422
    assert "not valid TOML" in bad.text
