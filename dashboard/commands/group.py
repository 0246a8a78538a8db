"""How every command ends: with its exit code, and at most one line about what went wrong."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

import typer
from typer.core import TyperGroup

from analytics.errors import UserError
from analytics.records.access import acting
from dashboard.commands import failures
from dashboard.commands.options import operating_system_user

ALL_WELL, FAILED, NOT_UNDERSTOOD, ROWS_HELD, SOMETHING_NEW = 0, 1, 2, 3, 4


class Commands(TyperGroup):
    """The group of commands. A command returns its exit code; errors become codes here and nowhere else."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command line and end with its exit code."""
        given = list(sys.argv[1:] if args is None else args)
        name = " ".join(["steadycount", *given[:1]]) if given and not given[0].startswith("-") else "steadycount"
        code = FAILED
        try:
            with acting(operating_system_user()):  # --by is a claim; roles go by the operating system's user
                code = (
                    super().main(given, prog_name or "steadycount", complete_var, False, windows_expand_args, **extra)
                    or ALL_WELL
                )
        except UserError as error:
            code = _say(name, str(error), NOT_UNDERSTOOD)
        except typer.TyperException as error:
            asked = name if given[:1] and given[0] in self.commands else "steadycount"
            code = _say(name, f"{error.format_message().rstrip('.?')}. See `{asked} --help`.", NOT_UNDERSTOOD)
        except typer.Abort:
            code = _say(name, "stopped.", FAILED)
        except Exception as error:  # noqa: BLE001 - whatever it was, the person gets one line and the log the rest
            code = _say(name, failures.one_line(error), FAILED)
        if standalone_mode:
            sys.exit(code)
        return code


def _say(name: str, text: str, code: int) -> int:
    typer.echo(f"{name}: {' '.join(text.split())}", err=True)
    return code
