"""A page's facts for programs: the same, with the same filter, as JSON, CSV or Parquet."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from innage.service.pages.paper.frame import answer


class Form(StrEnum):
    """What a table can be had as."""

    JSON = "json"
    CSV = "csv"
    PARQUET = "parquet"


_TYPES = {
    Form.JSON: "application/json",
    Form.CSV: "text/csv; charset=utf-8",
    Form.PARQUET: "application/vnd.apache.parquet",
}


def json_file(request: Request, facts: Any) -> Response:
    """Facts as JSON."""
    text = json.dumps(facts, ensure_ascii=False, indent=1, allow_nan=False)
    return answer(request, text.encode(), _TYPES[Form.JSON])


def table_file(request: Request, name: str, form: Form, columns: Mapping[str, Sequence[Any]]) -> Response:
    """A table by its columns, as a file called ``name``. Every column has a value for each row, or None."""
    if form is Form.JSON:
        rows = [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]
        return json_file(request, rows)
    content = _parquet(columns) if form is Form.PARQUET else _csv(columns)
    attached = {"Content-Disposition": f'attachment; filename="{name}.{form}"'}
    return answer(request, content, _TYPES[form], headers=attached)


def rows_file(
    request: Request, name: str, form: Form, rows: Sequence[Mapping[str, Any]], columns: Sequence[str]
) -> Response:
    """A table by its rows, of which each has a value for each of the columns. A list of words stands in its
    cell with blanks between.
    """
    cells = {
        column: [" ".join(row[column]) if isinstance(row[column], list) else row[column] for row in rows]
        for column in columns
    }
    return table_file(request, name, form, cells)


def _csv(columns: Mapping[str, Sequence[Any]]) -> bytes:
    """As RFC 4180 has it: lines end in CR LF; what is not there is an empty field."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))
    return text.getvalue().encode()


def _parquet(columns: Mapping[str, Sequence[Any]]) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(pa.table({name: pa.array(cells) for name, cells in columns.items()}), sink)
    content: bytes = sink.getvalue().to_pybytes()
    return content
