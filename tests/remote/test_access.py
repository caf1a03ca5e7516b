"""Who may look and who may ask, over real sockets."""

from pathlib import Path

import pytest

from nightloom.requests import Ask, Pause
from nightloom.telemetry import events as e
from nightloom.telemetry.nights import log_file
from remote.halls import NIGHT, TOKEN, Hall, inside, with_token

PAUSE = b'{"request": "pause"}'


def test_at_home_one_may_look_without_a_token_and_ask_for_nothing(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        assert (await hall.asks("/status")).json()["phase"] == "gathering"
        answer = await hall.asks("/requests", method="POST", body=PAUSE)
        assert answer.code == 403
        assert "token" in answer.json()["why"]

    hall = inside(tmp_path, story)
    assert [type(request) for request, _ in hall.heard] == [Ask]


@pytest.mark.parametrize(
    ("host", "code"),
    [("localhost", 200), ("LOCALHOST:80", 200), ("[::1]:7", 200), ("rebound.example", 403),
     ("127.0.0.1.example:7642", 403), ("", 403)],
)  # fmt: skip
def test_a_name_that_was_made_to_point_here_gets_nothing(
    tmp_path: Path, host: str, code: int
) -> None:
    async def story(hall: Hall) -> None:
        for path in ("/status", "/", "/log?live=no"):
            assert (await hall.asks(path, {"Host": host})).code == code

    inside(tmp_path, story)


def test_with_a_token_nothing_is_told_without_it(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        for path in ("/status", "/log", "/preview", "/metrics", "/openapi.json", "/page.js", "/no"):
            for token in (None, TOKEN[:-1], TOKEN + "0", "", TOKEN.upper(), "ÿ"):
                answer = await hall.asks(path, token=token)
                assert answer.code == 401, (path, token)
                assert answer.headers["www-authenticate"] == "Bearer"
            assert (await hall.asks(f"{path}?token={TOKEN}")).code == 401
        assert (await hall.asks("/status", token=TOKEN)).code == 200
        assert (await hall.asks("/requests", method="POST", body=PAUSE, token=TOKEN)).code == 200
        assert (await hall.asks("/requests", method="POST", body=PAUSE)).code == 401

    hall = inside(tmp_path, story, token_file=with_token(tmp_path))
    (asked,) = (one for one in hall.heard if not isinstance(one[0], Ask))
    assert asked == (Pause(), "address 127.0.0.1")
    assert hall.refusals() == ["no token", "a wrong token"], "each kind once at first"
    log = log_file(tmp_path, NIGHT).read_text()
    assert TOKEN[:-1] not in log
    assert "ÿ" not in log


def test_a_browser_that_was_given_the_token_may_look_and_no_more(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        page = await hall.asks("/")
        assert (page.code, page.headers["location"]) == (303, "/enter.html")
        assert (await hall.asks("/enter.html")).code == 200
        wrong = await hall.asks("/enter", method="POST", body=b"token=no")
        assert wrong.headers["location"] == "/enter.html?again"
        assert "set-cookie" not in wrong.headers
        entered = await hall.asks("/enter", method="POST", body=b"token=" + TOKEN.encode())
        cookie = entered.headers["set-cookie"]
        assert entered.headers["location"] == "/"
        assert TOKEN not in cookie
        for flag in ("HttpOnly", "SameSite=strict", "Path=/"):
            assert flag in cookie
        have = {"Cookie": cookie.partition(";")[0]}
        for path in ("/", "/status", "/page.js"):
            assert (await hall.asks(path, have)).code == 200
        assert (await hall.asks("/requests", have, method="POST", body=PAUSE)).code == 401
        seal = have["Cookie"].partition("=")[2]
        later = str(int(seal.partition(".")[0]) + 1)
        for bad in ("", "x", later + seal[len(later) :], seal[:-1], "99999999999."):
            assert (await hall.asks("/status", {"Cookie": f"nightloom={bad}"})).code == 401
        foreign = {"Origin": "http://elsewhere.example"}
        body = b"token=" + TOKEN.encode()
        assert (await hall.asks("/enter", foreign, method="POST", body=body)).code == 403

    hall = inside(tmp_path, story, token_file=with_token(tmp_path))
    assert all(isinstance(request, Ask) for request, _ in hall.heard)


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "http://elsewhere.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"},
     {"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "no-cors"}],
)  # fmt: skip
@pytest.mark.parametrize("closed", [False, True])
def test_a_page_of_another_site_gets_nothing(
    tmp_path: Path, headers: dict[str, str], closed: bool
) -> None:
    async def story(hall: Hall) -> None:
        token = TOKEN if closed else None
        assert (await hall.asks("/status", headers, token=token)).code == 403
        asked = await hall.asks("/requests", headers, method="POST", body=PAUSE, token=token)
        assert asked.code == 403

    said = {"token_file": with_token(tmp_path)} if closed else {}
    assert inside(tmp_path, story, **said).heard == []


def test_a_link_to_the_page_may_be_followed(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
        assert (await hall.asks("/", headers)).code == 200

    inside(tmp_path, story)


@pytest.mark.parametrize(
    ("mode", "token"), [(0o640, TOKEN), (0o604, TOKEN), (0o600, "short"), (0o600, "")]
)
def test_a_token_that_is_no_secret_opens_nothing(tmp_path: Path, mode: int, token: str) -> None:
    """A daemon goes on without being seen; `check` tells of it."""

    async def story(hall: Hall) -> None:
        assert hall.port == 0

    hall = inside(tmp_path, story, token_file=with_token(tmp_path, mode, token))
    (shut,) = (one for one in hall.logged if isinstance(one, e.RemoteShut))
    assert shut.reason.startswith("remote.token_file must ")


def test_every_answer_says_that_it_is_not_to_be_kept_or_framed(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        for path in ("/", "/status", "/nothing", "/log?live=no", "/enter"):
            headers = (await hall.asks(path)).headers
            assert headers["cache-control"] == "no-store"
            assert headers["x-content-type-options"] == "nosniff"
            assert "frame-ancestors 'none'" in headers["content-security-policy"]
            assert "server" not in headers

    inside(tmp_path, story)
