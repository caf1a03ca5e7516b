"""Whatever comes through the door, it is a request or one sentence."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.requests import Ask, Misunderstood, Pause, Reload, Resume, Retire, Skip, line_of
from nightloom.requests.messages import Request, read_answer, read_request

ASKED: tuple[Request, ...] = (
    Ask(),
    Pause(),
    Resume(),
    Skip(target="M 31"),
    Retire(now=True),
    Reload(),
)

CORPUS = (
    b"", b"\n", b"null", b"[]", b"{}", b'"pause"', b"1e999", b"NaN", b"\xff\xfe", b"\x00" * 100,
    b'{"request": null}', b'{"request": ["pause"]}', b'{"request": "pause", "request": "retire"}',
    b'{"request": "skip", "target": 1}', b'{"request": "skip", "target": "' + b"x" * 5000 + b'"}',
    b'{"request": "retire", "now": 2}', b"[" * 5000, b'{"a":' * 2000, b'{"request": "\\ud800"}',
    b'{"request": "pause"} {"request": "pause"}', b'{"request": "PAUSE"}', b'{"__class__": 1}',
)  # fmt: skip

JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=5,
)


def read(line: bytes) -> None:
    """Read a line both ways; it is understood, or misunderstood in one sentence."""
    for reader in (read_request, read_answer):
        told = "It is understood."
        try:
            reader(line)
        except Misunderstood as error:
            told = str(error)
        assert told.endswith(".")
        assert "\n" not in told


@pytest.mark.parametrize("line", CORPUS, ids=range(len(CORPUS)))
def test_lines_that_lie_in_wait_for_parsers(line: bytes) -> None:
    read(line)


@given(line=st.binary(max_size=200))
def test_any_bytes(line: bytes) -> None:
    read(line)


@given(asked=st.sampled_from(ASKED), key=st.text(max_size=8), value=JSON)
def test_any_key_with_any_value_beside_a_request(asked: Request, key: str, value: object) -> None:
    said = json.loads(line_of(asked)) | {key: value}
    read(json.dumps(said).encode("utf-8", "surrogatepass"))


@given(asked=st.sampled_from(ASKED), at=st.integers(0, 60), noise=st.binary(max_size=3))
def test_a_request_with_some_bytes_changed(asked: Request, at: int, noise: bytes) -> None:
    line = line_of(asked)
    read(line[:at] + noise + line[at + len(noise) :])
