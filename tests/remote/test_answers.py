"""What is answered: status, requests, figures, the description, the last frame, TLS."""

import asyncio
import io
import json
import ssl
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from openapi_spec_validator import validate
from PIL import Image
from prometheus_client.parser import text_string_to_metric_families

from nightloom.remote.description import description
from nightloom.remote.metrics import metrics
from nightloom.remote.painter import painted
from nightloom.remote.server import remote
from nightloom.requests import Pause, Resume, Retire
from nightloom.settings.remote import RemotePolicy
from nightloom.status import FilterStatus, FrameStatus, SafetyStatus, Status, TargetStatus
from nightloom.telemetry import events as e
from nightloom_drivers.clock import WallClock
from remote.halls import TOKEN, Hall, head, inside, request, settings_for, with_token

UTC_NOW = datetime(2026, 11, 10, 22, tzinfo=UTC)


def test_requests_are_put_to_the_daemon_with_where_they_came_from(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        async def code(body: bytes) -> tuple[int, str]:
            answer = await hall.asks("/requests", method="POST", body=body, token=TOKEN)
            return answer.code, answer.json()["answer"]

        assert await code(b'{"request": "pause"}') == (200, "done")
        assert await code(b'{"request": "resume"}') == (200, "done")
        assert await code(b'{"request": "retire", "now": true}') == (200, "done")
        assert await code(b'{"request": "skip"}') == (409, "refused")
        for nonsense in (b'{"request": "fly"}', b"[]", b"\xff", b'{"request": "pause", "x": 1}'):
            assert await code(nonsense) == (400, "unread")
        assert (await hall.asks("/requests", token=TOKEN)).code == 405

    hall = inside(tmp_path, story, token_file=with_token(tmp_path))
    asked = [one for one in hall.heard if one[0].request != "skip"]
    came = "address 127.0.0.1"
    assert asked == [(Pause(), came), (Resume(), came), (Retire(now=True), came)]


def test_the_status_is_the_read_model_and_is_looked_up_twice_a_second_at_most(
    tmp_path: Path,
) -> None:
    async def story(hall: Hall) -> None:
        for _ in range(10):
            answer = await hall.asks("/status")
        assert Status.model_validate_json(answer.body) == hall.status

    assert len(inside(tmp_path, story).heard) < 4


def test_the_description_is_openapi_and_names_every_route(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        told = (await hall.asks("/openapi.json")).json()
        assert told == description()
        for path, methods in told["paths"].items():
            method = "POST" if "post" in methods else "GET"
            code = (await hall.asks(f"{path}", method="OPTIONS", token=TOKEN)).code
            assert code in (403, 405), (path, method)

    inside(tmp_path, story)
    validate(description())  # by the specification's own schema


def test_figures_are_prometheus_text_with_units_in_their_names() -> None:
    """Read back by Prometheus' own client; suffixes by its "Metric and label naming"."""
    odd = 'a "b"\\\nc'
    status = Status(
        utc=UTC_NOW,
        observatory="Test",
        phase="gathering",
        tally=[
            TargetStatus(
                target=odd,
                accepted_s=60.0,
                unevenness=0.0,
                filters=[
                    FilterStatus(filter="L", accepted_s=60.0, asked_fraction=1.0, ahead_cycles=0.0)
                ],
            )
        ],
        safety=SafetyStatus(safe=False, weather=["rain"], roof="open", mount="x", pier_side="east"),
        transparency=0.5,
    )
    families = {one.name: one for one in text_string_to_metric_families(metrics(status))}
    assert all(
        name.startswith("nightloom_") and one.documentation for name, one in families.items()
    )
    (accepted,) = families["nightloom_accepted_seconds"].samples
    assert (accepted.labels, accepted.value) == ({"target": odd, "filter": "L"}, 60.0)
    assert families["nightloom_transparency_ratio"].samples[0].value == 0.5
    assert families["nightloom_weather_safe"].samples[0].value == 0.0
    assert "nightloom_wanted_seconds" not in families, "what is not known is left out"


def frame(uid: str, path: str) -> FrameStatus:
    return FrameStatus(
        utc=UTC_NOW, uid=uid, target="T", filter="L", exposure_s=1, accepted=True, path=path
    )


def test_the_last_frame_is_shown_small_and_made_once(tmp_path: Path) -> None:
    chance = np.random.default_rng(1)
    data = chance.normal(1000, 30, (1501, 2000))
    data[700:710, 900:910] += 20_000
    (tmp_path / "frames").mkdir()
    file = tmp_path / "frames" / "a.fits"
    fits.PrimaryHDU(data.astype(np.uint16)).writeto(file)

    async def story(hall: Hall) -> None:
        assert (await hall.asks("/preview")).code == 404
        hall.status = hall.status.model_copy(update={"last_frame": frame("1", "a.fits")})
        await asyncio.sleep(0.6)
        async with asyncio.timeout(30.0):
            reader, writer = await hall.speaks()
            writer.write(request("/preview", hall.port))
            code, headers = await head(reader)
            picture = await reader.read()
        assert (code, headers["content-type"]) == (200, "image/jpeg")
        seen = Image.open(io.BytesIO(picture))
        assert seen.size == (500, 375)
        grey = np.asarray(seen)
        assert 20 < np.median(grey) < 80, "the sky is dark and not black"
        assert grey[175:177, 225:227].min() > 200
        assert np.percentile(grey, 99) < 150
        file.unlink()
        assert (await hall.asks("/preview")).body == picture, "it is not made again"
        assert (await hall.asks("/preview", {"If-None-Match": headers["etag"]})).code == 304
        hall.status = hall.status.model_copy(update={"last_frame": frame("2", "gone.fits")})
        await asyncio.sleep(0.6)
        reader, writer = await hall.speaks()
        writer.write(request("/preview", hall.port))
        assert (await head(reader))[0] == 404

    inside(tmp_path, story)


@pytest.mark.parametrize("value", [0, 1000, 65535])
def test_a_frame_of_one_value_can_be_shown(value: int) -> None:
    assert painted(np.full((100, 80), value, np.uint16))[:2] == b"\xff\xd8"


def test_over_tls_with_a_certificate(tmp_path: Path) -> None:
    certificate, key = tmp_path / "certificate.pem", tmp_path / "key.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-days", "1", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=DNS:localhost",
         "-keyout", str(key), "-out", str(certificate)],
        check=True, capture_output=True,
    )  # fmt: skip

    async def story(hall: Hall) -> None:
        trust = ssl.create_default_context(cafile=str(certificate))
        reader, writer = await asyncio.open_connection(
            "127.0.0.1", hall.port, ssl=trust, server_hostname="localhost"
        )
        body = b"token=" + TOKEN.encode()
        writer.write(request("/enter", hall.port, method="POST", body=body))
        _, headers = await head(reader)
        assert "Secure" in headers["set-cookie"]
        writer.transport.abort()
        _, plain = await hall.speaks()
        plain.write(request("/status", hall.port))

    hall = inside(
        tmp_path,
        story,
        certificate_file=certificate,
        key_file=key,
        token_file=with_token(tmp_path),
    )
    (listening,) = (one for one in hall.logged if isinstance(one, e.RemoteListening))
    assert listening.url.startswith("https://")


def test_a_port_that_is_taken_costs_the_night_nothing(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        other = Hall(tmp_path, hall.log)
        settings = settings_for(tmp_path, port=hall.port)
        with hall.log.listen(other.note):
            async with remote(settings, other.answer, hall.log, WallClock()):
                assert (await hall.asks("/status")).code == 200
        (shut,) = (one for one in other.logged if isinstance(one, e.RemoteShut))
        assert "cannot be listened on" in shut.reason

    inside(tmp_path, story)


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"address": "0.0.0.0"}, "token_file"),
        ({"address": "192.168.1.2"}, "token_file"),
        ({"address": "observatory"}, "IP address"),
        ({"certificate_file": "/a"}, "key_file"),
        ({"key_file": "/a"}, "certificate_file"),
    ],
)
def test_nothing_listens_elsewhere_without_a_token(said: dict[str, str], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        RemotePolicy.model_validate_json(json.dumps(said))
