"""Record, approval, keys, notice and log: what has to be there before a person is spoken of."""

from __future__ import annotations

import hashlib
import hmac
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from fleets import FLEET_TOML, ROSTER_TOML, write_fleet

from pipeline.cli import main
from pipeline.config import load_fleet
from pipeline.edition import warehouse_of
from pipeline.people.blocked import Blocked, block
from pipeline.people.findings import approved_only, decide, finding_lines, keep_findings
from pipeline.people.keys import default_key_path, key_ring, pseudonym, word_hash
from pipeline.people.log import append, entries, log_command
from pipeline.people.notice import notice_text
from pipeline.privacy import driver_labels
from pipeline.problems import ColdMinutesError
from pipeline.resources import folder as resource

NOW = datetime(2026, 2, 3, 9, tzinfo=UTC)
RECORD = 'purpose = "coaching"\nagreed_on = 2026-01-05\nagreement = "no. 3, in the office"\n'
PSEUDONYMS = '[privacy]\ndriver_analysis = "pseudonyms"\n'
DRIVERS = '[drivers.d1]\nname = "Ylva Fjord"\naliases = ["Ylvis"]\n'


def folder_with(tmp_path: Path, privacy: str) -> Path:
    return write_fleet(tmp_path / "fleet", FLEET_TOML + privacy, drivers=DRIVERS)


def refused(call: object, *arguments: object) -> str:
    with pytest.raises(ColdMinutesError) as left:
        call(*arguments)  # type: ignore[operator]
    return str(left.value)


@pytest.mark.parametrize("missing", ["purpose", "agreed_on", "agreement"])
def test_names_need_the_whole_record(tmp_path: Path, missing: str) -> None:
    lines = [line for line in RECORD.splitlines() if not line.startswith(missing)]
    privacy = '[privacy]\ndriver_analysis = "names"\n' + "\n".join(lines)
    text = refused(load_fleet, folder_with(tmp_path, privacy))
    assert f"add {missing} = ..." in text
    assert "fleet.toml, key privacy" in text


def test_the_sample_fleet_loads_as_it_is(tmp_path: Path) -> None:
    copied = shutil.copytree(resource("sample_fleet"), tmp_path / "fleet")
    assert load_fleet(copied).settings.privacy.driver_analysis == "pseudonyms"


def test_a_first_finding_waits_until_it_is_approved(tmp_path: Path) -> None:
    fleet = load_fleet(folder_with(tmp_path, PSEUDONYMS + RECORD))
    found = pl.DataFrame(
        {"driver_id": ["d2", None, "d1"], "code": ["never_starts"] * 3, "minutes": [1, 2, 3]}
    )
    with warehouse_of(fleet, in_memory=True) as con:
        keep_findings(con, found, "2026-W03", NOW)
        assert approved_only(con, found)["minutes"].to_list() == [2], "not about a person"
        listed = list(finding_lines(con, fleet))
        assert "2 findings about a person, 2 of them waiting." in listed
        label = driver_labels(fleet, ["d1"])["driver_label"][0]
        ids = dict(con.sql("select driver_id, finding_id from people_findings").fetchall())
        assert any(line.startswith(f"{ids['d1']} ") and label in line for line in listed)
        assert not any("Ylva" in line or " d1" in line for line in listed)
        decide(con, fleet, ids["d1"], "approved", "operator", NOW)
        assert approved_only(con, found)["minutes"].to_list() == [2, 3]
        # The same finding in later weeks goes through; another about the same driver waits.
        other = found.with_columns(code=pl.lit("ends_early"))
        keep_findings(con, pl.concat([found, other]), "2026-W04", NOW)
        assert approved_only(con, found)["minutes"].to_list() == [2, 3]
        assert approved_only(con, other)["minutes"].to_list() == [2]
        rows = con.sql("select first_week_id, last_week_id from people_findings where code = "
                       "'never_starts'").fetchall()  # fmt: skip
        assert set(rows) == {("2026-W03", "2026-W04")}
        decide(con, fleet, ids["d1"], "withdrawn", "operator", NOW)
        assert approved_only(con, found)["minutes"].to_list() == [2]
        assert "no finding 'p9'" in refused(decide, con, fleet, "p9", "approved", "x", NOW)


@pytest.mark.parametrize(
    ("privacy", "lacking"),
    [
        (PSEUDONYMS, "purpose, agreed_on, agreement"),
        ("[privacy]\n" + RECORD, "driver_analysis"),
    ],
)
def test_no_finding_about_a_person_without_the_record(
    tmp_path: Path, privacy: str, lacking: str
) -> None:
    fleet = load_fleet(folder_with(tmp_path, privacy))
    with warehouse_of(fleet, in_memory=True) as con:
        text = refused(decide, con, fleet, "p1", "approved", "operator", NOW)
        assert "PEOPLE-04" in text and lacking in text


def test_hashes_are_hmac_sha256(tmp_path: Path) -> None:
    """RFC 4231, test case 2: HMAC-SHA-256 of a known key and text (digits from the RFC's text)."""
    digest = hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).digest()
    assert digest.hex() == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    # The first 30 bits of it in base 32 of RFC 4648, worked out by hand: 5bdcc146 is
    # 01011 01111 01110 01100 00010 10001, that is 11, 15, 14, 12, 2, 17: L P O M C R.
    assert pseudonym(b"Jefe", "what do ya want for nothing?") == "driver LPOMCR"
    assert word_hash(b"Jefe", "d1") != word_hash(b"Jefo", "d1")


def test_pseudonyms_hang_on_the_key_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = folder_with(tmp_path, PSEUDONYMS + RECORD)
    made = driver_labels(load_fleet(folder), ["d1"])
    key = default_key_path(load_fleet(folder)).read_text().strip()
    assert driver_labels(load_fleet(folder), ["d1"]).equals(made)
    moved = folder.rename(tmp_path / "moved")
    monkeypatch.setenv("COLDMINUTES_PEOPLE_KEY", key)
    assert driver_labels(load_fleet(moved), ["d1"]).equals(made)
    monkeypatch.setenv("COLDMINUTES_PEOPLE_KEY", "another key of many letters, as told")
    assert "PEOPLE-01" in refused(driver_labels, load_fleet(moved), ["d1"])
    monkeypatch.setenv("COLDMINUTES_PEOPLE_KEY", f"{'n' * 32} {key}")
    assert not driver_labels(load_fleet(moved), ["d1"]).equals(made)
    everything = b"".join(p.read_bytes() for p in moved.rglob("*") if p.is_file())
    assert key.encode() not in everything


def test_a_key_beside_the_data_is_refused(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, PSEUDONYMS + 'key_file = "people.key"\n')
    (folder / "people.key").write_text("k" * 64)
    text = refused(key_ring, load_fleet(folder))
    assert "PEOPLE-01" in text and "beside the data" in text
    outside = tmp_path / "people.key"
    outside.write_text("k" * 64 + "\n" + "o" * 64 + "\n")
    settings = FLEET_TOML + PSEUDONYMS + 'key_file = "../people.key"\n'
    (folder / "fleet.toml").write_text(settings)
    assert key_ring(load_fleet(folder)) == (b"k" * 64, b"o" * 64)


def test_a_key_of_an_earlier_version_goes(tmp_path: Path) -> None:
    fleet = load_fleet(folder_with(tmp_path, PSEUDONYMS))
    fleet.state.mkdir()
    (fleet.state / "pseudonym.key").write_bytes(b"x" * 32)
    key_ring(fleet)
    assert not (fleet.state / "pseudonym.key").exists()


def test_the_list_names_nobody_and_knows_everybody(tmp_path: Path) -> None:
    fleet = load_fleet(folder_with(tmp_path, ""))
    assert not Blocked(fleet)
    block(fleet, ["Ylva Fjord", "d1"], NOW.date())
    block(fleet, ["ylva fjord"], NOW.date())
    text = (fleet.folder / "forgotten.txt").read_text()
    assert "Ylva" not in text and len(text.splitlines()) == 3
    cells = pl.Series(["d1", " YLVA FJORD", "d2", None, "Ylva"])
    assert Blocked(fleet).without(cells).to_list() == ["forgotten", "forgotten", "d2", None, "Ylva"]
    (fleet.folder / "forgotten.txt").write_text("no line of ours\n")
    assert "PEOPLE-02" in refused(Blocked, fleet)


def test_the_notice_speaks_of_this_fleet(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, PSEUDONYMS + "[retention]\nsamples_months = 7\n")
    text = notice_text(load_fleet(folder))
    assert max(len(line) for line in text.splitlines()) <= 80
    flat = " ".join(text.split())
    assert "Readings of vehicles and chargers: 7 months" in flat
    assert "NOT RECORDED" in flat and "purpose, agreed_on, agreement" in flat
    assert "no legal advice" in flat and "names and spellings of 1 driver" in flat
    assert "roster: who had which vehicle" in flat
    assert "in one line of the report" in flat and "drivers appear in sums only" in flat
    (folder / "fleet.toml").write_text(FLEET_TOML + PSEUDONYMS + RECORD)
    flat = " ".join(notice_text(load_fleet(folder)).split())
    assert "appears under a pseudonym" in flat
    assert "Agreed on: 5 January 2026. Agreement: no. 3, in the office." in flat
    assert "NOT RECORDED" not in flat
    (folder / "fleet.toml").write_text(FLEET_TOML)
    assert "Nothing is said about drivers" in " ".join(notice_text(load_fleet(folder)).split())
    (folder / "fleet.toml").write_text(FLEET_TOML + 'language = "de"\n')
    assert "Nothing is said" not in " ".join(notice_text(load_fleet(folder)).split())


def test_the_log_keeps_options_and_no_values(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, "")
    log_command(["forget", str(folder), "Ylva Fjord", "--yes", "--out=/home/ylva"], NOW)
    log_command(["schema", "fleet"], NOW)
    log_command(["retain", "--dry-run", str(folder)], NOW)
    log_command(["run", str(tmp_path)], NOW)
    found, wrong = entries(folder / ".coldminutes")
    assert wrong == []
    assert [(e["command"], e["options"]) for e in found] == [
        ("forget", "--out --yes"),
        ("retain", "--dry-run"),
    ]
    assert "lva" not in (folder / ".coldminutes" / "commands.log").read_text()


@pytest.mark.parametrize("cut", ["first", "middle", "last", "changed", "rewritten", "head"])
def test_a_cut_log_shows(tmp_path: Path, cut: str) -> None:
    for number in range(4):
        append(tmp_path, {"at": str(number), "user": "u", "command": "run"})
    assert entries(tmp_path)[1] == []
    path = tmp_path / "commands.log"
    lines = path.read_text().splitlines()
    if cut == "head":
        (tmp_path / "commands.head").unlink()
    elif cut in ("changed", "rewritten"):
        entry = json.loads(lines[1]) | {"user": "somebody else"}
        if cut == "rewritten":
            body = {key: value for key, value in entry.items() if key != "hash"}
            text = json.loads(lines[0])["hash"] + json.dumps(body, sort_keys=True)
            entry["hash"] = hashlib.sha256(text.encode()).hexdigest()
        lines[1] = json.dumps(entry)
    else:
        del lines[{"first": 0, "middle": 2, "last": -1}[cut]]
    path.write_text("".join(f"{line}\n" for line in lines))
    assert entries(tmp_path)[1] != []
    if cut != "head":
        append(tmp_path, {"at": "5", "user": "u", "command": "run"})
        assert entries(tmp_path)[1] != [], "the next entry does not hide it"


def test_a_crash_between_a_line_and_its_head_is_no_cut(tmp_path: Path) -> None:
    append(tmp_path, {"at": "1", "user": "u", "command": "run"})
    head = (tmp_path / "commands.head").read_text()
    append(tmp_path, {"at": "2", "user": "u", "command": "run"})
    (tmp_path / "commands.head").write_text(head)
    append(tmp_path, {"at": "3", "user": "u", "command": "run"})
    assert [entry["at"] for entry in entries(tmp_path)[0]] == ["1", "2", "3"]
    assert entries(tmp_path)[1] == []


def test_the_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = folder_with(tmp_path, PSEUDONYMS + RECORD)
    (folder / "sources" / "roster.toml").write_text(ROSTER_TOML)
    (folder / "inbox" / "roster_1.csv").write_text(
        "vehicle,from,to,driver\nv1,2026-01-12T05:00:00Z,2026-01-12T12:00:00Z,Ylvis\n"
    )

    def call(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main([arguments[0], str(folder), *arguments[1:]])
        out, err = capsys.readouterr()
        return int(left.value.code or 0), out, err

    assert call("notice")[0] == 0
    status, out, _ = call("approve")
    assert (status, out) == (0, "There is no finding about a person.\n")
    assert call("approve", "p1")[0] == 2
    status, out, _ = call("retain", "--dry-run")
    assert status == 0 and "Would go" in out
    out_path = tmp_path / "held.zip"
    status, out, _ = call("access", "Ylvis", "--out", str(out_path))
    assert status == 0 and out_path.exists()
    status, _, err = call("forget", "nobody-known", "--yes")
    assert status == 2 and "PEOPLE-06" in err and "Traceback" not in err
    status, out, _ = call("forget", "ylvis", "--yes")
    assert status == 0 and "1 exports rewritten" in out
    assert "Ylv" not in out
    assert "access" in out, "what left by the program itself is listed"
    assert "Ylv" not in "".join(p.read_text("latin-1") for p in folder.rglob("*") if p.is_file())
    status, out, _ = call("log")
    assert status == 0
    assert [line.split()[3] for line in out.splitlines()] == [
        "notice", "approve", "approve", "retain", "access", "forget", "forget", "log",
    ]  # fmt: skip
    (folder / ".coldminutes" / "commands.log").write_text("")
    assert call("log")[0] == 1
