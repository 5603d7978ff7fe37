"""`rectify workbench CASE`: tune one limb in a browser on this machine."""

from __future__ import annotations

import time
import webbrowser
from pathlib import Path

import click

from rectify.cli.say import json_option, message, print_json, result

__all__ = ["workbench_command"]


@click.command(name="workbench", short_help="Tune one limb in a browser on this machine.")
@click.argument("case", type=click.Path(path_type=Path))
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="N", help="By default any free one.")
@click.option("--open/--no-open", "opens", default=True, help="Open the page in the browser, or only show its address.")
@json_option
def workbench_command(case: Path, port: int, opens: bool, as_json: bool) -> int:
    """Show CASE in a browser: captured and rectified, every region to be tuned, landmarks to be moved.

    Only this machine can reach it, with the token in the address. What is saved lies in the case's folder `versions`,
    and `rectify apply` takes the newest. Ctrl+C ends it; what is not saved yet is offered again the next time.
    """
    from rectify.workbench import Session, listen_on, serve

    listener = listen_on(port)
    began = time.monotonic()
    message(f"opening {case} ...")
    try:
        session = Session(case, tell=message)
    except BaseException:
        listener.close()
        raise
    message(f"opened in {time.monotonic() - began:.1f} s; the shape is being made")

    def ready(address: str) -> None:
        if as_json:
            print_json({"case": session.code, "address": address})
        else:
            result(address)
        message("only this machine can open it; Ctrl+C ends it")
        if opens:
            webbrowser.open(address)

    serve(session, listener, ready=ready)
    return 0
