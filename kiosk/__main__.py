"""The command line: finds the command, hands it its Place, turns whatever goes wrong into one line and an exit status.

0 done, 1 a fault, 2 wrong use. Commands live in kiosk/doors, one file each, and are imported only when they are called.
"""
from __future__ import annotations

import difflib
import importlib
import os
import sys
from pathlib import Path

import click

from kiosk import VERSION, details
from kiosk.faults import Fault
from kiosk.place import Place

DOORS = {
    "kiosk": "The live loop: watch, measure, cue, replay, log.",
    "measure": "Measure recorded clips, one JSON line a ball.",
    "setup": "Camera and marks: place the named marks, see the fit.",
    "players": "Add, list, show and erase players, and their consent.",
    "sessions": "List, show and erase sessions.",
    "pin": "Set the coach's PIN.",
    "review": "The local review pages.",
    "report": "One self-contained page of a session or a player.",
    "export": "Open formats: csv, parquet, trc, c3d, zip.",
    "import": "Take in a zip that creaseside export wrote.",
    "check": "Own error against footage whose truth is known.",
    "bench": "Speed on this machine, beside the plain way.",
    "doctor": "Camera, models, sound, screen, disk and log: what works.",
    "sign": "Pages to print: the sign for the net wall, the data-protection sheet.",
    "backup": "A consistent copy of the log.",
}
HERE = Path(__file__).parent / "doors"


class Doors(click.Group):
    """Commands by file; the global options may stand before or after the command."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for name in DOORS if (HERE / f"{name}.py").exists() or (HERE / name / "__init__.py").exists()]

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in self.list_commands(ctx):
            return None
        command = importlib.import_module(f"kiosk.doors.{name}").command
        command.epilog = command.epilog or "Global options: --home DIR, --config FILE, --json, --quiet, --version."
        return command

    def resolve_command(self, ctx: click.Context, args: list[str]):
        known = self.list_commands(ctx)
        if args and args[0] not in known and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], known, 1)
            hint = f"did you mean {near[0]!r}?" if near else f"the commands are {', '.join(known)}"
            raise click.UsageError(f"no command {args[0]!r}; {hint}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        rows = [(name, DOORS[name]) for name in self.list_commands(ctx)]
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        return super().parse_args(ctx, globals_first(args))


def globals_first(args: list[str]) -> list[str]:
    """The same arguments with the global options in front; what follows `--` stays where it is."""
    front, rest = [], []
    left = iter(args)
    for arg in left:
        if arg == "--":
            rest += [arg, *left]
        elif arg in ("--home", "--config"):
            value = next(left, None)
            if value is None:
                raise click.BadOptionUsage(arg, f"option {arg!r} asks for a value")
            front += [arg, value]
        elif arg in ("--json", "--quiet", "--version") or arg.startswith(("--home=", "--config=")):
            front.append(arg)
        else:
            rest.append(arg)
    return front + rest


@click.group(cls=Doors, name="creaseside", context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--home", type=click.Path(path_type=Path), envvar="CREASESIDE_HOME",
              help="Log, clips, set-up and settings; default: the user data folder, or CREASESIDE_HOME.")
@click.option("--config", type=click.Path(path_type=Path), help="Settings file instead of the home's settings.toml.")
@click.option("--json", "as_json", is_flag=True, help="JSON on stdout.")
@click.option("--quiet", is_flag=True, help="No lines for people on stderr, faults apart.")
@click.version_option(VERSION, prog_name="creaseside", message="%(prog)s %(version)s")
@click.pass_context
def creaseside(ctx: click.Context, home: Path | None, config: Path | None, as_json: bool, quiet: bool) -> None:
    """A kiosk that stands beside a cricket net and helps fast bowlers between balls."""
    ctx.obj = Place((home or Place.usual()).expanduser().absolute(), config and config.expanduser(), as_json, quiet)


def main(argv: list[str] | None = None) -> int:
    """Run one command; its exit status."""
    args = sys.argv[1:] if argv is None else argv
    ctx = None
    try:
        ctx = creaseside.make_context("creaseside", list(args) or ["--help"])
        with ctx:
            creaseside.invoke(ctx)
        sys.stdout.flush()
        return 0
    except click.exceptions.Exit as e:
        return e.exit_code
    except click.UsageError as e:
        where = e.ctx.command_path if e.ctx else "creaseside"
        return _fault(f"{where}: {_lower(e.format_message())}; see {where} --help", 2)
    except click.ClickException as e:
        return _fault(e.format_message(), 1)
    except Fault as e:
        return _fault(str(e), 1)
    except (KeyboardInterrupt, click.Abort):
        return _fault("stopped from the keyboard", 1)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())   # or the interpreter complains again at its end
        return _fault("whoever read the output went away before its end", 1)
    except Exception as e:
        where = details.keep(ctx and ctx.obj or Place(Place.usual()), " ".join(args))
        return _fault(f"{_named(e)}; details in {where}", 1)


def _fault(line: str, status: int) -> int:
    print(" ".join(line.split()), file=sys.stderr, flush=True)
    return status


def _lower(text: str) -> str:
    text = text.rstrip(".")
    return text[:1].lower() + text[1:]


def _named(e: Exception) -> str:
    if isinstance(e, OSError) and e.strerror:
        return f"{e.filename}: {e.strerror}" if e.filename else e.strerror
    return f"an unexpected fault, {type(e).__name__}: {e}"


if __name__ == "__main__":
    sys.exit(main())
