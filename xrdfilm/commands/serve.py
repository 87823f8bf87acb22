"""`xrdfilm serve`: the page on the desk."""

from __future__ import annotations

from pathlib import Path

import click

EXAMPLE = """\b
Examples:
  xrdfilm serve
  xrdfilm serve --port 8700 --store shared/desk --history shared/history.sqlite3
  xrdfilm serve --host 0.0.0.0 --token "$(openssl rand -hex 16)"

\b
The page is open to this machine alone. Beyond it, --host needs --token: whoever
knows the token can read all results and drop scans. The connection itself is not
encrypted; put it behind a proxy with TLS where others share the network.
"""

LEAST_TOKEN = 12


@click.command(name="serve", epilog=EXAMPLE)
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port",
    default=8732,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="Port; 0 takes a free one.",
)
@click.option("--token", envvar="XRDFILM_TOKEN", help="Asked of everyone; needed beyond loopback.")
@click.option(
    "--store",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for dropped runs; default: in your data folder.",
)
@click.option(
    "--history",
    type=click.Path(path_type=Path),
    help="The history file; default: $XRDFILM_HISTORY, else in your data folder.",
)
@click.option(
    "--most-megabytes",
    default=256,
    show_default=True,
    type=click.IntRange(1, 4096),
    help="Most that may be dropped at once.",
)
@click.option("--open", "open_browser", is_flag=True, help="Open the page in the browser.")
def command(
    host: str,
    port: int,
    token: str | None,
    store: Path | None,
    history: Path | None,
    most_megabytes: int,
    open_browser: bool,
) -> int:
    """Show runs, films and trends on a local page, and judge scans dropped on it."""
    from xrdfilm.runs.workers import single_thread

    single_thread()
    try:
        import python_multipart  # noqa: F401
        import uvicorn

        from xrdfilm.serve.app import create_app
    except ImportError as problem:
        raise click.ClickException(
            f"the page needs {problem.name}; install it with: pip install 'xrdfilm[serve]'"
        ) from None
    from xrdfilm.history import history_path
    from xrdfilm.serve.desk import Desk
    from xrdfilm.serve.listen import listening_socket, shown_address
    from xrdfilm.serve.safety import Limits, is_loopback_name

    beyond = not is_loopback_name(host)
    if beyond and token is None:
        raise click.ClickException(
            f"--host {host} opens the page beyond this machine; state a --token too (at least "
            f"{LEAST_TOKEN} characters), or leave out --host"
        )
    if token is not None and len(token) < LEAST_TOKEN:
        raise click.ClickException(f"the token needs at least {LEAST_TOKEN} characters")
    place = history_path(history)
    place.parent.mkdir(parents=True, exist_ok=True)
    limits = Limits(body_bytes=most_megabytes * 1024 * 1024)
    app = create_app(store or Desk.usual_folder(), place, token=token, limits=limits)
    socket = listening_socket(host, port)
    address = shown_address(host, socket.getsockname()[1])
    click.echo(f"Page:    {address}")
    click.echo(f"Store:   {app.setup.desk.folder}")
    click.echo(f"History: {place}")
    if beyond:
        click.echo(
            "Open to the network: whoever reaches this address and knows the token reads all "
            "results and can drop scans; the connection is not encrypted.",
            err=True,
        )
    click.echo("Stop with Ctrl-C.")
    if open_browser:
        click.launch(address)
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        limit_concurrency=500,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=3,
        proxy_headers=False,
        ws="none",
    )
    uvicorn.Server(config).run(sockets=[socket])
    return 0
