"""The live page: shows the folder as it grows, only to those it may, and cannot touch the run."""

import http.client
import json
import socket
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from paper_runs import write_run

from amphora.harness.common.errors import InputError
from amphora.harness.common.locks import acquire_folder
from amphora.harness.plans.plan import Limits, Plan, Step, plan_to_dict
from amphora.harness.report import live_page as livepage
from amphora.harness.running.along import CURVE_POINTS, Along


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = write_run(tmp_path)
    run = json.loads((made / "run.json").read_text())
    rest = Step("rest", "rest", (), (), 600.0, True, 1.0, Limits())
    discharge = Step("discharge", "discharge", (), (), 7200.0, True, 1.0, Limits(), expected_duration_s=5400.0)
    plan = Plan("overnight", "L3-a", "li-ion", (rest, discharge), 3.0, 1.0, "claim", "full", False, 1e6, max_gap_s=10.0)
    run["plan"] = plan_to_dict(plan)
    (made / "run.json").write_text(json.dumps(run))
    (made / "samples.csv").write_text(
        "t_s,step,voltage_V,current_A,temperature_degC\n0,0,4.1,0,22\n10,1,"
        "4.0,-0.5,22.1\n3610,1,3.8,-0.5,23\n3620,1,3.7"
    )
    events = [
        {"kind": "person", "t_s": 0, "utc": "2026-11-24T21:00:00Z", "after_row": 0, "text": "hand meter 4.09 V"},
        {
            "kind": "step-begun",
            "t_s": 5,
            "utc": "2026-11-24T21:00:05Z",
            "after_row": 1,
            "step": 1,
            "plan_step": 1,
            "name": "discharge",
        },
    ]
    (made / "events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in events))
    return made


@pytest.fixture
def at_work(folder: Path) -> Iterator[None]:
    """A runner that lives: whoever runs this test holds the folder's lock."""
    with acquire_folder(folder):
        yield


@pytest.fixture
def server(folder: Path) -> Iterator[livepage.LiveServer]:
    served = livepage.start(folder)
    yield served
    served.shutdown()
    served.server_close()


def ask(url: str, path: str | None = None, method: str = "GET", **headers: str) -> tuple[int, dict[str, str], bytes]:
    parts = urlsplit(url)
    link = http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=60)
    link.request(method, parts.path if path is None else path, headers=headers)
    answer = link.getresponse()
    body = answer.read()
    link.close()
    return answer.status, {k.lower(): v for k, v in answer.getheaders()}, body


def test_shows_step_readings_charge_and_when_it_ends(at_work: None, server: livepage.LiveServer) -> None:
    status, headers, body = ask(server.url, "/data")
    data = json.loads(body)
    assert status == 200
    assert headers["content-type"].startswith("application/json")
    (data,) = data["runs"]
    assert (data["cell"], data["step_name"], data["state"]) == ("L3-a", "discharge", "running")
    assert (data["voltage_V"], data["current_A"], data["temperature_degC"]) == (3.8, -0.5, 23)
    assert data["step_charge_Ah"] == pytest.approx(-0.5)
    assert (data["charged_Ah"], data["discharged_Ah"]) == (0.0, pytest.approx(0.5))
    expected, latest = data["ends_utc"]  # the step began 5 s after nine
    assert expected.startswith("2026-11-24T22:30:05") and latest.startswith("2026-11-24T23:00:05")
    assert data["curve"] == [
        [0, 4.1, 4.1, 0, 0, 22], [10, 4.0, 4.0, -0.5, -0.5, 22.1], [None] * 6, [3610, 3.8, 3.8, -0.5, -0.5, 23]
    ]  # fmt: skip
    assert data["events"] == [["2026-11-24T21:00:00Z", "a person acted: hand meter 4.09 V"]]


def look(folder: Path) -> dict[str, Any]:
    along = Along(folder)
    run: dict[str, Any] = livepage.document([(along, along.look())], datetime.now(UTC), False)["runs"][0]
    return run


def test_a_run_without_a_real_cell_is_told(folder: Path) -> None:
    assert look(folder)["simulated"] is False
    run = json.loads((folder / "run.json").read_text())
    run["bench"]["instruments"]["load"]["identity"] = "AMPHORA SIM,LOAD,0012,1.0"
    (folder / "run.json").write_text(json.dumps(run))
    assert look(folder)["simulated"] is True


def test_torn_row_counts_only_once_it_is_whole(server: livepage.LiveServer, folder: Path) -> None:
    assert server.look()["runs"][0]["rows"] == 3
    with (folder / "samples.csv").open("a") as stream:
        stream.write("1,-0.5,23.1\n")
    assert server.look()["runs"][0]["rows"] == 4
    assert server.look()["runs"][0]["voltage_V"] == 3.71


def test_a_stopped_run_says_why(server: livepage.LiveServer, folder: Path) -> None:
    with (folder / "events.jsonl").open("a") as stream:
        stream.write(
            json.dumps(
                {"kind": "stopped", "t_s": 9, "utc": "", "after_row": 3, "reason": "guard:voltage", "text": "low"}
            )
            + "\n"
        )
    (data,) = server.look()["runs"]
    assert (data["state"], data["concern"]) == ("ended", "look")
    assert data["sentence"] == "ended: guard:voltage (low)"
    assert data["ends_utc"] is None


def test_a_run_that_went_silent_is_told(at_work: None, folder: Path) -> None:
    view = Along(folder, now=lambda: time.time() + 600).look()
    assert view.concern == "go"
    assert "no new reading for 10 min" in view.sentence


def test_a_run_whose_program_is_gone_is_told_at_once(folder: Path) -> None:
    data = look(folder)
    assert data["concern"] == "go" and data["sentence"].startswith("the program is dead")
    assert data["ends_utc"] is None and "amphora bench off" in data["sentence"]


def test_the_curve_has_the_colour_that_the_cell_has_in_every_picture(folder: Path) -> None:
    from amphora.harness.report.plot_style import of_cell, place_of

    data = look(folder)
    assert data["cell"] and data["colour"] == of_cell(place_of(data["cell"]))["color"]


def test_values_that_are_not_numbers_are_none(folder: Path) -> None:
    with (folder / "samples.csv").open("a") as stream:
        stream.write(",,\n3630,1,nan,inf,\nx,1,1,1,1\n3640,1,1\n")
    data = look(folder)
    assert (data["t_s"], data["voltage_V"], data["current_A"], data["temperature_degC"]) == (3630, None, None, None)
    json.dumps(data, allow_nan=False)


def test_a_long_run_gives_a_short_curve_with_its_last_reading(folder: Path) -> None:
    with (folder / "samples.csv").open("w") as stream:
        stream.write("t_s,step,voltage_V,current_A,temperature_degC\n")
        stream.writelines(f"{n},0,{4.1 - n / 40000:.4f},-0.5,22\n" for n in range(36_000))
    data = look(folder)
    assert len(data["curve"]) <= 4 * CURVE_POINTS + 1
    assert data["curve"][-1][0] == 35_999
    assert look(folder)["curve"] == data["curve"]


def test_page_is_served_with_a_policy_that_lets_nothing_else_in(server: livepage.LiveServer) -> None:
    status, headers, body = ask(server.url)
    assert status == 200
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert b"viewport" in body
    assert b"http" not in body.replace(b"http://www.w3.org/2000/svg", b"")


@pytest.mark.parametrize(
    "path", ["/run.json", "/../run.json", "/%2e%2e/run.json", "//etc/passwd", "/data/", "/?x", "/DATA"]
)
def test_nothing_on_the_disk_can_be_asked_for(server: livepage.LiveServer, path: str) -> None:
    assert ask(server.url, path)[0] == 404


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"])
def test_nothing_can_be_changed(server: livepage.LiveServer, method: str) -> None:
    assert ask(server.url, "/data", method)[0] == 501


def test_looking_changes_no_byte_of_the_run(server: livepage.LiveServer, folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    ask(server.url)
    ask(server.url, "/data")
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_alone_it_listens_on_loopback_and_to_its_own_name(server: livepage.LiveServer) -> None:
    assert server.server_address[0] == "127.0.0.1"
    assert ask(server.url, "/data", Host=f"elsewhere.example:{server.server_address[1]}")[0] == 404
    assert ask(server.url, "/data", Host=f"localhost:{server.server_address[1]}")[0] == 200


def test_shared_it_answers_only_below_its_random_token(folder: Path) -> None:
    one, two = livepage.start(folder, share=True), livepage.start(folder, share=True)
    try:
        assert one.token is not None
        assert one.token != two.token
        assert len(one.token) >= 30
        local = f"http://127.0.0.1:{one.server_address[1]}"
        assert ask(local, f"/{one.token}/data")[0] == 200
        assert ask(local, f"/{one.token}/")[0] == 200
        for path in (
            "/",
            "/data",
            f"/{one.token[:-1]}/data",
            f"/{two.token}/data",
            f"/{one.token}x/data",
            f"/%00{one.token}/",
        ):
            assert ask(local, path)[0] == 404
        assert one.token in one.url
    finally:
        for served in (one, two):
            served.shutdown()
            served.server_close()


def test_another_address_without_a_token_is_refused(folder: Path) -> None:
    with pytest.raises(InputError, match="token"):
        livepage.start(folder, host="0.0.0.0")


def test_a_folder_that_is_no_run_and_a_port_in_use_are_one_sentence(tmp_path: Path, folder: Path) -> None:
    with pytest.raises(InputError, match=r"run\.json"):
        livepage.start(tmp_path)
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(InputError, match="cannot serve"):
            livepage.start(folder, port=other.getsockname()[1])


def test_a_visitor_who_says_nothing_does_not_keep_others_out(server: livepage.LiveServer) -> None:
    address = ("127.0.0.1", int(server.server_address[1]))
    silent = [socket.create_connection(address) for _ in range(5)]
    try:
        assert ask(server.url, "/data")[0] == 200
    finally:
        for link in silent:
            link.close()
