"""Runs the live page's server until it is interrupted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from harness import inside
from harness.errors import NotACampaign, ReportError
from harness.watch.access import Access
from harness.watch.listener import listen

DEFAULT_PORT = 8741


def serve(
    folder: Path,
    *,
    host: str = "127.0.0.1",
    port: int = DEFAULT_PORT,
    token: str | None = None,
    announce: Callable[[str], None] = print,
) -> None:
    """Serve the live page of a campaign folder; returns when interrupted.

    Args:
        folder: The campaign folder; it may be running, paused or finished.
        host: Address to listen on. Anything but loopback asks visitors for a token.
        port: Port to listen on; 0 lets the system choose.
        token: The token to ask for; None makes one where one is needed.
        announce: Is told the address to open, token included.
    Raises:
        ReportError: The ``watch`` extra is not installed, or the port can't be had.
        NotACampaign: There is no campaign in the folder.
    """
    if not inside.is_file(folder, folder / "plan.toml"):
        raise NotACampaign(f"{folder}: no campaign there; name the folder that `levelrig run` writes")
    try:
        import uvicorn

        from harness.watch.app import Unhurried, make_app
        from harness.watch.protocol import HEADER_BYTES, BoundedProtocol
    except ImportError as error:
        raise ReportError(
            f"the live page needs the extra packages ({error.name} is missing); pip install 'levelrig[watch]'"
        ) from error
    access = Access.for_host(host, token)
    config = uvicorn.Config(
        make_app(folder.absolute(), access),
        host=host,
        port=port,
        http=BoundedProtocol,
        h11_max_incomplete_event_size=HEADER_BYTES,
        timeout_keep_alive=10,
        log_level="warning",
        access_log=False,
        timeout_graceful_shutdown=1,
        lifespan="off",
    )
    try:
        listener = listen(host, port)
    except OSError as error:
        raise ReportError(f"port {port} of {host} is not available; choose another with --port") from error
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{listener.getsockname()[1]}/"
    announce(address if access.token is None else f"{address}?token={access.token}")
    Unhurried(config).run(sockets=[listener])
