"""The short form of every row of the faults table; `python -m tests.faults --full` is the long one."""
from __future__ import annotations

import pytest

from tests.faults.__main__ import rows
from tests.faults.row import NotHere


@pytest.mark.parametrize("row", rows([]), ids=lambda row: row.name)
def test_the_pass_line_holds(row, tmp_path):
    try:
        print(row.run(row.short, tmp_path))
    except NotHere as why:
        pytest.skip(str(why))
