"""Who may use the page: one-time access codes, sessions, form tokens, and the limit on tries.

Pure bookkeeping; ``guard`` applies it to requests. A session is a random number signed by this run of the server, so
nothing is kept on disk and everything ends with the server.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from starlette.requests import Request

__all__ = ["CODE_LETTERS", "Access", "Limit", "from_here", "token_is_right", "token_of"]

CODE_LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ23456789"
"""Letters and digits that cannot be mistaken for one another when read aloud or typed."""

CODE_LENGTH = 8
"""30^8 codes and five tries a minute: more than a hundred thousand years to try half of them."""

TRIES, TRIES_PER_S = 5, 60.0
"""Tries at the code: enough for a slip of the thumb, useless for guessing."""

MOST_DEVICES = 200
"""Most devices admitted at one time; beyond that the oldest is dropped."""


class Limit:
    """A limit of events in a span of seconds; ``take`` says whether one more is allowed and counts it."""

    def __init__(self, events: int, per_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._events, self._per_s, self._clock = events, per_s, clock
        self._taken: deque[float] = deque()

    def take(self) -> bool:
        """Count one event if it is allowed."""
        now = self._clock()
        while self._taken and now - self._taken[0] >= self._per_s:
            self._taken.popleft()
        if len(self._taken) >= self._events:
            return False
        self._taken.append(now)
        return True


class Access:
    """Codes and sessions of one run of the server.

    Parameters
    ----------
    needs_code : bool
        Whether a device other than this computer must enter the code first.
    on_new_code : callable, optional
        Called with each new code: the first, and the next one as soon as a code is used.
    clock : callable
        Returns seconds, for the limit on tries.
    """

    def __init__(
        self,
        needs_code: bool = False,
        on_new_code: Callable[[str], None] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.needs_code = needs_code
        self._secret = secrets.token_bytes(32)
        self._admitted: dict[str, None] = {}
        self._tries = Limit(TRIES, TRIES_PER_S, clock)
        self._on_new_code = on_new_code
        self._code = ""
        if needs_code:
            self.renew()

    @property
    def code(self) -> str:
        """The code that lets the next device in; empty where none is needed."""
        return self._code

    def renew(self) -> None:
        """Make the next code and report it."""
        self._code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        if self._on_new_code is not None:
            self._on_new_code(self._code)

    def new_session(self) -> str:
        """Give the value of a new session's cookie."""
        number = secrets.token_urlsafe(24)
        return f"{number}.{self._sign('session', number)}"

    def session(self, cookie: str) -> str:
        """Give the session of a cookie; empty if this run of the server did not make it."""
        number, _, signature = cookie.partition(".")
        right = bool(number) and hmac.compare_digest(
            signature.encode(), self._sign("session", number).encode()
        )
        return number if right else ""

    def token(self, session: str) -> str:
        """Give the token that every form of a session carries."""
        return self._sign("form", session)

    def token_is_right(self, session: str, token: str) -> bool:
        """Compare a form's token in constant time."""
        return bool(session) and hmac.compare_digest(self.token(session).encode(), token.encode())

    def is_admitted(self, session: str, from_here: bool) -> bool:
        """Whether a request may see the page: from this computer, or from a device that entered the code."""
        return not self.needs_code or from_here or session in self._admitted

    def try_code(self, session: str, code: str) -> bool | None:
        """Try a code: True admits the session and uses up the code, False does neither, None means too many tries."""
        if not self.needs_code or not self._tries.take():
            return None
        typed = "".join(code.upper().split()).replace("-", "")
        if not session or not hmac.compare_digest(typed.encode(), self._code.encode()):
            return False
        self._admitted[session] = None
        while len(self._admitted) > MOST_DEVICES:
            self._admitted.pop(next(iter(self._admitted)))
        self.renew()
        return True

    def _sign(self, purpose: str, text: str) -> str:
        return hmac.new(self._secret, f"{purpose}:{text}".encode(), "sha256").hexdigest()


def from_here(scope: Any) -> bool:
    """Whether a request was sent by this computer itself."""
    client = scope.get("client")
    try:
        address = ipaddress.ip_address(str(client[0]).partition("%")[0]) if client else None
    except ValueError:
        return False
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return address is not None and address.is_loopback


def token_of(request: Request) -> str:
    """Give the token for the forms of a request's session."""
    access: Access = request.scope["access"]
    return access.token(request.scope["session_name"])


def token_is_right(request: Request, token: str) -> bool:
    """Whether a form or an upload carries the token of its session."""
    access: Access = request.scope["access"]
    return access.token_is_right(request.scope["session_name"], token)
