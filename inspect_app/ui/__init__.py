"""The pages: one a step of the job, over the services, with nothing measured or decided in them."""

from __future__ import annotations

import sys
from pathlib import Path

__all__ = ["run"]


def run(
    data_dir: Path | None = None,
    port: int = 8501,
    open_browser: bool = True,
    lan: bool = False,
    passcode: str | None = None,
) -> None:
    """Serve the pages until stopped.

    Parameters
    ----------
    data_dir : Path or None
        Folder of the jobs; the usual one of this system when ``None``.
    port : int
        TCP port.
    open_browser : bool
        Open the first page in the browser.
    lan : bool
        Answer the bench's network, not this machine alone; needs `passcode`.
    passcode : str or None
        Asked of everyone who opens the pages.

    Raises
    ------
    OptionError
        If `lan` is asked for without a long enough passcode.
    StoreError
        If the data folder cannot be used.
    """
    from inspect_app.ui import server

    chosen = server.Settings(data_dir, port, lan, passcode)
    app = server.build_app(chosen)
    url = f"http://{server.lan_address() if lan else 'localhost'}:{port}/"
    print(f"The pages are at {url}  (stop with Ctrl+C)", flush=True)
    if open_browser:
        server.open_soon(url)
    sys.argv[1:] = []  # they would become the script's arguments
    app.run(config=server.config(chosen))
