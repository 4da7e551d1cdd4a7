"""The example notebook runs, and results show themselves in it."""

from __future__ import annotations

from pathlib import Path

import nbclient
import nbformat

NOTEBOOK = Path(__file__).parents[1] / "sample_tiles" / "evening.ipynb"


def test_the_example_notebook_runs_and_shows_tables_and_pictures() -> None:
    book = nbformat.read(NOTEBOOK, as_version=4)
    nbclient.NotebookClient(book, timeout=600, resources={"metadata": {"path": str(NOTEBOOK.parent)}}).execute()
    data = [
        output["data"] for cell in book.cells if cell.cell_type == "code" for output in cell.outputs if "data" in output
    ]
    tables = [one["text/html"] for one in data if "text/html" in one]
    assert len(tables) == 4
    assert "µm per pixel" in tables[0]
    assert "Overlaps disagree" in tables[1]
    assert "24064 cells" in tables[2]
    assert "nH" in tables[2]
    assert "quarter wave" in tables[3]
    assert sum("image/png" in one for one in data) == 1


def test_the_notebook_on_file_holds_no_outputs() -> None:
    book = nbformat.read(NOTEBOOK, as_version=4)
    assert all(not cell.get("outputs") for cell in book.cells)
