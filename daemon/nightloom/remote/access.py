"""Who may look, and who may ask for something: decided on a request's headers alone.

With a token: who sends it may do both; a browser in which it was typed may look, by a cookie that
holds a seal made with the token and not the token. Without a token only this computer is listened
to: whoever is on it may look, under its own name alone, so that no page from elsewhere gets in by
having its name point here, and nobody may ask for anything.
"""

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field

OWN_NAMES = {"127.0.0.1", "localhost", "[::1]"}

COOKIE = "nightloom"
COOKIE_S = 30 * 86400
"""A browser is remembered for so long."""

TOKEN_CHARACTERS_MIN = 32

READING = {"GET", "HEAD"}

NO_TOKEN, WRONG_TOKEN, OLD_COOKIE = "no token", "a wrong token", "a wrong or old cookie"
FOREIGN_NAME, FOREIGN_PAGE = "another computer's name", "another site's page"


@dataclass(frozen=True)
class Denied:
    """A request that goes no further."""

    status: int
    why: str
    """One sentence, for who asked."""
    kind: str
    """The same in a few words that hold nothing of the request, for the log."""


@dataclass(frozen=True)
class Access:
    """Judges requests. `token` is None where there is none."""

    token: str | None = field(repr=False)

    def denied(
        self, method: str, headers: Mapping[str, str], cookies: Mapping[str, str], now_s: float
    ) -> Denied | None:
        """Why a request goes no further, or None; `headers` has small letters."""
        if (foreign := self.foreign(headers)) is not None:
            return foreign
        if self.token is None:
            return self._denied_at_home(method, headers)
        given = headers.get("authorization")
        if given is not None:
            if self.is_token(given.removeprefix("Bearer ").strip()):
                return None
            return Denied(401, "The token is not the daemon's.", WRONG_TOKEN)
        if method in READING and COOKIE in cookies:
            if self.is_sealed(cookies[COOKIE], now_s):
                return None
            return Denied(401, "The cookie is old; give the token anew.", OLD_COOKIE)
        return Denied(401, "A token is needed: Authorization: Bearer TOKEN.", NO_TOKEN)

    def foreign(self, headers: Mapping[str, str]) -> Denied | None:
        """Whether a browser says that a page from elsewhere asks."""
        origin = headers.get("origin")
        elsewhere = origin is not None and origin.partition("://")[2] != headers.get("host", "")
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            # Somebody who follows a link to the page asks for nothing but the page.
            elsewhere |= headers.get("sec-fetch-mode") != "navigate"
        why = "A page of another site may not ask here."
        return Denied(403, why, FOREIGN_PAGE) if elsewhere else None

    def is_token(self, given: str) -> bool:
        """Whether it is the token; takes as long whatever is wrong with it."""
        if self.token is None:
            return False
        return hmac.compare_digest(_digest(given), _digest(self.token))

    def sealed(self, now_s: float) -> str:
        """A cookie that lets a browser look from now on."""
        until = f"{now_s + COOKIE_S:.0f}"
        return f"{until}.{self._seal(until)}"

    def is_sealed(self, cookie: str, now_s: float) -> bool:
        """Whether a cookie was made with this token, and is not too old."""
        until, _, seal = cookie.partition(".")
        if not hmac.compare_digest(_digest(seal), _digest(self._seal(until))):
            return False
        return until.isdigit() and float(until) > now_s

    def _seal(self, until: str) -> str:
        key = (self.token or "").encode()
        return hmac.new(key, f"look until {until}".encode(), hashlib.sha256).hexdigest()

    def _denied_at_home(self, method: str, headers: Mapping[str, str]) -> Denied | None:
        name = headers.get("host", "")
        if not name.endswith("]"):
            name = name.rpartition(":")[0] or name
        if name.lower() not in OWN_NAMES:
            why = "Without a token this is seen as 127.0.0.1 or localhost only."
            return Denied(403, why, FOREIGN_NAME)
        if method not in READING:
            why = "Requests need a token, and the daemon has none: see [remote] in policies.toml."
            return Denied(403, why, NO_TOKEN)
        return None


def _digest(text: str) -> bytes:
    """Of one length whatever the text, so that a comparison tells nothing of it."""
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).digest()
