"""The `dieplat` command and the mapping from library errors to one line and an exit status."""

from __future__ import annotations

import logging
import os
import sys

import typer

# The executor is the only source of threads: a pool beneath it spins. Read when NumPy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from dieplat.errors import DieplatError
from dieplat.files import line_of
from dieplat_cli.commands import register_all
from dieplat_cli.limits import LimitedMemoryError, check_memory_limits

OUT_OF_MEMORY = "the memory does not suffice; close other programs, or give fewer --workers or smaller pictures"
NO_ROOM = ("failed to map segment", "cannot allocate memory", "can't start new thread")
"""How the system's loader and Python say that the memory does not suffice for a library or a thread."""

app = typer.Typer(
    name="dieplat",
    help="Photographs of an opened chip in, numbers that can be trusted out.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
)
register_all(app)


def main() -> None:
    """Run the command line; bad input ends in one line on stderr and exit status 1."""
    # What the readers of pictures remark of a damaged file, our own line says.
    logging.getLogger().addHandler(logging.NullHandler())
    try:
        check_memory_limits()
        app()
    except DieplatError as error:
        sys.stderr.write(f"dieplat: {' '.join(str(error).split())}\n")
        raise SystemExit(1) from None
    except OSError as error:
        sys.stderr.write(f"dieplat: {' '.join(line_of(error).split())}\n")
        raise SystemExit(1) from None
    except LimitedMemoryError as error:
        sys.stderr.write(f"dieplat: {error}\n")
        raise SystemExit(1) from None
    except MemoryError:
        sys.stderr.write(f"dieplat: {OUT_OF_MEMORY}\n")
        raise SystemExit(1) from None
    except (ImportError, RuntimeError) as error:
        if not any(words in str(error) for words in NO_ROOM):
            raise
        sys.stderr.write(f"dieplat: {OUT_OF_MEMORY}\n")
        raise SystemExit(1) from None
    except KeyboardInterrupt:
        sys.stderr.write("dieplat: stopped; nothing half-written was left\n")
        raise SystemExit(130) from None
