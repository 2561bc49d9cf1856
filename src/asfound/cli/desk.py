"""`asfound desk`: the web application on this machine."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def desk(
    data: Annotated[Path, typer.Option(help="Folder of the desk; made if missing.")] = Path(
        "desk-data"
    ),
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on.")] = 8080,
    database: Annotated[
        str, typer.Option(help="postgresql://USER@HOST/NAME; left out: SQLite in the folder.")
    ] = "",
    demo: Annotated[
        bool, typer.Option("--demo", help="Put the invented demonstration job on it.")
    ] = False,
    public_address: Annotated[
        str, typer.Option(help="What others reach it by, such as https://desk.example.")
    ] = "",
    proxy: Annotated[
        list[str] | None,
        typer.Option(help="Address of a proxy whose X-Forwarded-For is believed; repeat for more."),
    ] = None,
    map_host: Annotated[
        list[str] | None,
        typer.Option(help="Host the map may fetch background tiles from; repeat for more."),
    ] = None,
    most_upload: Annotated[int, typer.Option(min=1, help="Largest file taken, in MB.")] = 200,
) -> None:
    """Open the desk: jobs, maps, decisions, ledger and releases in a browser."""
    try:
        from asfound.desk.server import run_desk
    except ModuleNotFoundError as error:
        from asfound.errors import InputError

        raise InputError(
            f"the desk needs a package that is not installed: {error.name}.",
            where="asfound desk",
            remedy="Install it with: pip install 'asfound[desk]'",
        ) from error
    from asfound.desk.config import MEGABYTE, DeskConfig

    config = DeskConfig(
        data=data.resolve(),
        database=database,
        https=public_address.startswith("https://"),
        public_address=public_address.rstrip("/"),
        trusted_proxies=tuple(proxy or ()),
        map_hosts=tuple(map_host or ()),
        most_upload=most_upload * MEGABYTE,
    )
    run_desk(config, host=host, port=port, demo=demo, say=typer.echo)
