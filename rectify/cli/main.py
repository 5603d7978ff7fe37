"""The command `rectify`: which commands there are, and the one way in and out.

Nothing heavy is imported before a command needs it, so that help comes at once.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import click

from rectify import __version__
from rectify.cli.apply import apply_command
from rectify.cli.carve import carve_command
from rectify.cli.compare import compare_command
from rectify.cli.demo import demo_command
from rectify.cli.ending import explain
from rectify.cli.marks import marks_command
from rectify.cli.measure import measure_command
from rectify.cli.process import settle_process
from rectify.cli.release import release_command
from rectify.cli.rules import rules_group
from rectify.cli.say import finish_streams, settle_streams
from rectify.cli.socket import socket_command
from rectify.cli.workbench import workbench_command

__all__ = ["commands", "main"]

_EPILOG = (
    "Exit codes: 0 done; 1 internal fault; 2 the input or the command is wrong, nothing was written; 3 a limit of the "
    "rulebook was breached, reports only; 4 made, but a person must look before it goes to a machine."
)


@click.group(
    name="rectify",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=_EPILOG,
)
@click.version_option(__version__, prog_name="rectify")
def commands() -> None:
    """Rectify the model of a residual limb by a written rulebook, before a check socket is made.

    What comes out is a starting shape for review by the licensed practitioner who answers for the limb.
    """


for _command in (
    apply_command,
    measure_command,
    marks_command,
    rules_group,
    compare_command,
    release_command,
    socket_command,
    carve_command,
    workbench_command,
    demo_command,
):
    commands.add_command(_command)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : words after `rectify`, optional
        By default those of this process.

    Returns
    -------
    int
        The exit code; see `rectify.cli.ending` and `rectify.api`.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    if arguments is None:  # the process is ours
        settle_process()
    settle_streams()
    try:
        code = commands.main(args=words, prog_name="rectify", standalone_mode=False)
    except SystemExit:  # click's own way out when nobody reads its help any more
        code = 0
    except (Exception, KeyboardInterrupt) as problem:
        code = explain(problem, as_json="--json" in words)
    finish_streams()
    return code if isinstance(code, int) else 0
