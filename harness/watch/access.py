"""Who may see the page and who may act on the campaign. Pure, but for making a token.

On the loopback address everyone on this machine may; a page of another site may not, whatever name it was
reached by. When opened to the network a token is asked for.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

COOKIE_NAME = "levelrig-watch"


@dataclass(frozen=True)
class Access:
    """The rules for one server.

    Attributes:
        token: What a visitor has to know; None on the loopback address.
    """

    token: str | None

    @classmethod
    def for_host(cls, host: str, token: str | None = None) -> Access:
        """No token on the loopback address unless one is given; elsewhere one is made where none is given."""
        if token is None and not is_loopback(host):
            token = secrets.token_urlsafe(24)
        return cls(token)

    def may_see(
        self, headers: Mapping[str, str], cookies: Mapping[str, str], query_token: str | None
    ) -> bool:
        """Whether a request carries the token: as cookie, ``Authorization: Bearer`` or in the address.

        Without a token only requests to a loopback name are answered, so that a foreign name which was
        pointed at this machine gets nothing.
        """
        if self.token is None:
            return is_loopback(host_of(headers.get("host", "")))
        bearer = headers.get("authorization", "").removeprefix("Bearer ")
        return any(
            hmac.compare_digest(given.encode(errors="replace"), self.token.encode())
            for given in (cookies.get(COOKIE_NAME, ""), bearer, query_token or "")
        )

    def may_act(self, headers: Mapping[str, str]) -> bool:
        """Whether a request that acts comes from the page itself: same origin, and a header no form sends."""
        origin = headers.get("origin")
        try:
            same = origin is None or urlsplit(origin).netloc == headers.get("host")
        except ValueError:
            same = False
        return same and headers.get("content-type", "").startswith("application/json")


def host_of(host_header: str) -> str:
    """Host name of a ``Host`` header, without port and brackets."""
    try:
        return urlsplit(f"//{host_header}").hostname or ""
    except ValueError:
        return ""


def is_loopback(host: str) -> bool:
    """True for ``localhost`` and the loopback addresses."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
