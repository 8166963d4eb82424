"""Put the commands together; one clear line and exit status 2 where something is wrong.

Public: app (the typer application), main (the entry point).
"""

from __future__ import annotations

import sys

import typer

from endfeel.belief import BeliefError
from endfeel.catalogue import CatalogueError
from endfeel.cli import account, evidence, keep, reason, serve, strategy
from endfeel.evidence import EvidenceError
from endfeel.planning import CostError
from endfeel.pooling.edition import EditionError
from endfeel.storage import StoreError

app = typer.Typer(
    name="endfeel",
    help="A workbench for musculoskeletal clinicians. It informs a licensed clinician and does not diagnose.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for module in (serve, reason, strategy, evidence, keep, account):
    module.add_to(app)


def main() -> None:
    """Run the command line; faults go to standard error as one line, with exit status 2."""
    try:
        status = app(standalone_mode=False)
    except (typer.Abort, KeyboardInterrupt):
        sys.exit(130)
    except (BeliefError, CatalogueError, EvidenceError, CostError, EditionError, StoreError) as error:
        _fail(str(error))
    except KeyError as error:
        _fail(str(error.args[0]) if error.args else str(error))
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(141)
    except Exception as error:
        # What was typed wrong: the base class of these is not public, its message is.
        said = getattr(error, "format_message", None)
        if said is None:
            raise
        _fail(str(said()))
    else:
        sys.exit(status if isinstance(status, int) else 0)


def _fail(line: str) -> None:
    print(f"endfeel: {' '.join(line.split())}", file=sys.stderr)
    sys.exit(2)
