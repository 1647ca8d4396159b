"""What ``deploy/`` says holds: settings that there are, secrets that are given, what unit and proxy programs take."""

from __future__ import annotations

import configparser
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml

from wearvision_api.commands import COMMANDS
from wearvision_api.settings import ENV_PREFIX, Settings

DEPLOY = Path(__file__).parents[1] / "deploy"
COMPOSE = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
OF_THE_PROXY = {"WEARVISION_BIND", "WEARVISION_ONE", "WEARVISION_TWO", "WEARVISION_NAME", "WEARVISION_BUSY"}
UNITS = ("wearvision@.service", "wearvision-migrate.service")
SETTINGS = {f"{ENV_PREFIX}{name.upper()}" for name in Settings.model_fields}


def haproxy() -> str | None:
    return shutil.which("haproxy") or shutil.which("haproxy", path="/usr/sbin")


@pytest.mark.parametrize("name", ["compose.yaml", "Containerfile", "service.env", *UNITS])
def test_every_setting_named_is_one(name: str) -> None:
    named = set(re.findall(r"\bWEARVISION_[A-Z_]+", (DEPLOY / name).read_text()))
    assert named - OF_THE_PROXY <= SETTINGS


def test_processes_of_the_compose_file_are_safe_settings() -> None:
    said = COMPOSE["services"]["one"]["environment"]
    fields = {name.removeprefix(ENV_PREFIX).lower(): value for name, value in said.items() if name in SETTINGS}
    settings = Settings(**fields)
    assert settings.accounts
    assert not settings.migrate, "only the one-shot step migrates"
    assert settings.drain_s > 2, "two checks of the proxy, a second apart"
    together = 2 * settings.connections
    assert int(COMPOSE["services"]["database"]["command"][-1].split("=")[1]) > together


def test_secrets_of_the_compose_file_are_files_and_each_is_used() -> None:
    used = {name for one in COMPOSE["services"].values() for name in one.get("secrets", ())}
    assert used == set(COMPOSE["secrets"])
    assert all(set(one) == {"file"} for one in COMPOSE["secrets"].values())


def test_commands_of_units_and_containers_are_there() -> None:
    for unit in UNITS:
        parser = configparser.RawConfigParser(strict=False, delimiters=("=",))
        parser.optionxform = str  # type: ignore[assignment,method-assign]
        parser.read(DEPLOY / unit)
        _, command, *options = parser["Service"]["ExecStart"].split()
        known = {flag for one in COMMANDS[command].params for flag in (*one.opts, *one.secondary_opts)}
        assert {one for one in options if one.startswith("--")} <= known
    assert COMPOSE["services"]["migrate"]["command"] == ["migrate"]


def test_answer_of_the_proxy_has_the_length_that_it_states() -> None:
    head, body = (DEPLOY / "busy.http").read_bytes().split(b"\r\n\r\n", 1)
    assert f"content-length: {len(body)}".encode() in head.lower()
    assert b"retry-after: 2" in head.lower()


@pytest.mark.skipif(haproxy() is None, reason="no haproxy here: Debian's package haproxy")
def test_proxy_takes_its_settings() -> None:
    environment = {
        "WEARVISION_BIND": "127.0.0.1:8443",
        "WEARVISION_ONE": "127.0.0.1:8461",
        "WEARVISION_TWO": "127.0.0.1:8462",
        "WEARVISION_NAME": "localhost",
        "WEARVISION_BUSY": str(DEPLOY / "busy.http"),
    }
    done = subprocess.run(
        [str(haproxy()), "-c", "-f", str(DEPLOY / "haproxy.cfg")],
        env=os.environ | environment, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert (done.returncode, "warning" in done.stderr.lower()) == (0, False), done.stderr


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_units_are_taken_and_leave_little_open(tmp_path: Path) -> None:
    for unit in UNITS:
        text = (DEPLOY / unit).read_text().replace("/opt/wearvision/bin/wearvision", "/bin/true")
        (tmp_path / unit).write_text(text)
    run = ["systemd-analyze", "verify", *(str(tmp_path / unit) for unit in UNITS)]
    done = subprocess.run(run, capture_output=True, text=True, check=False, timeout=60)
    ours = [line for line in done.stderr.splitlines() if "wearvision" in line]
    assert ours == []
    for unit in UNITS:
        run = ["systemd-analyze", "security", "--offline=true", "--threshold=20", str(tmp_path / unit)]
        done = subprocess.run(run, capture_output=True, text=True, check=False, timeout=60)
        assert done.returncode == 0, f"over 2.0 of 10: {done.stdout[-200:]}"
