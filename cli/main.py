"""The command `access-ledger`: the table of its commands, and the only place that prints an error.

A command is thin: it asks, calls and says. Its module is loaded when it is run, so `--help` stays quick. To add a
command, write it in a module of `cli` and add its line to `COMMANDS`.
"""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from cli.lazy import Later, a_group
from ledger.errors import LedgerError

BEGIN, REPORTS, HAND, LOOK, COUNT = "Begin", "Reports", "By hand", "Look", "Count"
RECORD, KEEP = "The hospital's record", "Keep"

COMMANDS: dict[str, Later] = {
    "init": Later("cli.begin:init", "Make an empty ledger.", BEGIN),
    "demo": Later("cli.begin:demo", "Make the demonstration: an invented unit to look at.", BEGIN),
    "unit": Later("cli.places_and_people:units", "Dialysis units: add, list.", BEGIN),
    "centre": Later("cli.places_and_people:centres", "Access centres: add, list.", BEGIN),
    "person": Later("cli.places_and_people:people", "People who record: add, list.", BEGIN),
    "account": Later("cli.accounts:accounts", "Who may come in to the pages: add, list, change, close.", BEGIN),
    "patient": Later("cli.patients:patients", "Patients: add, list, show, change, erase.", BEGIN),
    "report": Later("cli.report:reports", "Operative reports: read, import, list, show, link, confirm.", REPORTS),
    "record": Later("cli.record:record", "Record what happened, by hand: one command a kind.", HAND),
    "correct": Later("cli.record:correct", "Say what is true instead of what an entry says.", HAND),
    "retract": Later("cli.record:retract", "Say that an entry should never have been made.", HAND),
    "brief": Later("cli.look:brief", "What one needs to know before anybody touches the arm.", LOOK),
    "history": Later("cli.look:history", "The whole life of an access, a sentence a line.", LOOK),
    "audit": Later("cli.look:audit", "Who did and looked at what.", LOOK),
    "rounds": Later("cli.rounds:rounds", "What must not be forgotten, a sheet a shift.", LOOK),
    "refer": Later("cli.acting:refer", "Send to the access centre: an entry, and the sheet.", LOOK),
    "set-aside": Later("cli.acting:set_aside", "Put a line of rounds off until a day, with a reason.", LOOK),
    "maturation": Later("cli.following:maturation", "A new access from creation to proven use.", LOOK),
    "infections": Later("cli.following:infections", "Infections by class, and what was done.", LOOK),
    "planning": Later("cli.following:planning", "Vessels used up and left, mapping, life plan.", LOOK),
    "serve": Later("cli.serving:serve", "The pages for nurses, liaisons and practitioners.", LOOK),
    "patency": Later("cli.count:patency", "How long accesses stay open, by named definitions.", COUNT),
    "rates": Later("cli.count:rates", "Infections, thrombosis and interventions over time.", COUNT),
    "prevalence": Later("cli.count:prevalence", "Through what the patients dialyse; catheters that stayed.", COUNT),
    "goals": Later("cli.goals:goals", "Published outcome goals beside the unit's numbers.", COUNT),
    "quality-report": Later("cli.count:quality_report", "The report for the unit's quality meeting.", COUNT),
    "extract": Later("cli.count:extract", "A de-identified extract for a study.", COUNT),
    "export": Later("cli.export:export", "Write what is known of patients as HL7 FHIR.", RECORD),
    "send": Later("cli.send:send", "Send what has changed to a FHIR server, each fact once.", RECORD),
    "listen": Later("cli.listen:listen", "Take HL7 v2 messages over MLLP: reports, changes of patients.", RECORD),
    "messages": Later("cli.listen:messages", "HL7 v2 messages that came, and what became of each.", RECORD),
    "fhir": Later("cli.fhir:fhir", "FHIR: codes, mapping, settings, servers, what was sent.", RECORD),
    "entries": Later("cli.keep:entries", "Entries as files: load, dump, restore.", KEEP),
    "seal": Later("cli.keep:seal", "Write a seal, to be kept by somebody else.", KEEP),
    "verify": Later("cli.keep:verify", "Say what is not as it was written.", KEEP),
    "rebuild": Later("cli.keep:rebuild", "Make the columns kept for lists anew.", KEEP),
    "backup": Later("cli.keep:backup", "Copy the ledger to a file while it is in use.", KEEP),
    "restore": Later("cli.keep:restore", "Copy a backup to a new place, and verify it.", KEEP),
}
"""Every command, in the order of the help."""

DEBUG = "ACCESS_LEDGER_DEBUG"

STOPPED = 130
"""As shells say it of a command that ended by Ctrl-C."""

app = a_group(
    COMMANDS,
    help="The ledger of dialysis patients' vascular accesses, from creation to abandonment.",
    epilog="Exit codes: 0 done, 1 wrong input, 2 wrong usage, 3 partly done, 4 stale, 5 not trusted.",
)


@app.callback()
def everywhere(
    show_version: Annotated[
        bool,
        typer.Option("--version", help="Print the version.", is_eager=True, callback=lambda asked: _version(asked)),
    ] = False,
) -> None:
    """Options of the command as a whole."""


def _version(asked: bool) -> None:
    if asked:
        from cli.whole import version

        typer.echo(f"access-ledger {version()}")
        raise typer.Exit


def run() -> None:
    """The console script."""
    sys.exit(main(sys.argv[1:]))


def main(arguments: list[str]) -> int:
    """Runs one command line and gives the exit code. Prints every error; no error text holds a patient's words."""
    from cli.whole import check_whole

    as_json = "--json" in arguments
    try:
        check_whole()
        for stream in (sys.stdout, sys.stderr):
            # A name that the terminal's encoding lacks must not stop a nurse from seeing the rest.
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="replace")
        ended = app(args=arguments, prog_name="access-ledger", standalone_mode=False)
        code = ended if isinstance(ended, int) else 0
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 0 if ended.code is None else 1
    except LedgerError as wrong:
        _say(wrong.problem, wrong.remedy, wrong.exit_code, as_json)
        code = wrong.exit_code
    except (KeyboardInterrupt, typer.Abort):
        code = STOPPED
    except BrokenPipeError:
        code = 0
    except Exception as unexpected:
        if hasattr(unexpected, "show") and hasattr(unexpected, "exit_code"):
            # Wrong usage: typer says it, with the usage of the command.
            unexpected.show()
            code = unexpected.exit_code
        else:
            code = _our_mistake(unexpected, as_json)
    if code == STOPPED:
        print("\nStopped. What was reported as stored is stored; the rest was not begun.", file=sys.stderr)
    return _flushed(code)


def _say(problem: str, remedy: str, code: int, as_json: bool) -> None:
    if as_json:
        from cli.say import json_text

        print(json_text({"format": 1, "problem": problem, "remedy": remedy, "exit_code": code}), file=sys.stderr)
        return
    for text in (problem, remedy):
        if sys.stderr.isatty():
            import textwrap

            text = textwrap.fill(text, 100, break_on_hyphens=False, break_long_words=False)
        # In a log a message stays on one line, so that it can be found.
        print(text, file=sys.stderr)


def _our_mistake(unexpected: Exception, as_json: bool) -> int:
    """A short text with a reference: where in our own code it happened, and of which type. Never the message itself,
    which may hold words of a patient."""
    if os.environ.get(DEBUG):
        import traceback

        traceback.print_exception(unexpected)
    _say(
        f"Something went wrong inside access-ledger that should not ({reference_of(unexpected)}).",
        "Nothing was half written. Try again; if it comes back, report that reference. "
        f"{DEBUG}=1 shows more, which may contain patients' words.",
        1,
        as_json,
    )
    return 1


def reference_of(unexpected: BaseException) -> str:
    """The type of an exception and the last place of our own code that it came through, without any value."""
    place = ""
    trace = unexpected.__traceback__
    ours = os.path.dirname(os.path.dirname(os.path.realpath(__file__)))
    while trace is not None:
        file = os.path.realpath(trace.tb_frame.f_code.co_filename)
        if file.startswith(ours + os.sep):
            place = f" at {os.path.relpath(file, ours)}:{trace.tb_lineno}"
        trace = trace.tb_next
    return type(unexpected).__name__ + place


def _flushed(code: int) -> int:
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return code


if __name__ == "__main__":
    run()
