#!/usr/bin/env python3
"""The report's Parquet files, read by Apache Arrow (pyarrow, PyPI), against its CSV tables.

    parquet_pyarrow.py CSV_DIR PARQUET_DIR

Every table must be there, with the same columns and rows; every cell must say the same: figures to the digits that the CSV prints,
null where the CSV has nothing. The types of the columns must be those that a tour's worth of shows needs to share.
"""
import csv
import math
import pathlib
import sys

import pyarrow as pa
import pyarrow.parquet as pq

csv_dir, parquet_dir = map(pathlib.Path, sys.argv[1:3])
cells = wrong = 0


def same(text, value, kind):
    if text == "":
        return value is None
    if pa.types.is_boolean(kind):
        return value == (text == "1")
    if pa.types.is_int64(kind):
        return value == int(text)
    if pa.types.is_float64(kind):
        return value == float(text) or math.isclose(value, float(text))
    return value == text or "'" + value == text


for table in sorted(csv_dir.glob("*.csv")):
    with open(table, newline="", encoding="utf-8") as f:
        header, *rows = list(csv.reader(f))
    read = pq.read_table(parquet_dir / (table.stem + ".parquet"))
    assert read.column_names == header, (table, read.column_names, header)
    assert read.num_rows == len(rows), (table, read.num_rows, len(rows))
    for i, name in enumerate(header):
        kind = read.schema.field(name).type
        if name.endswith(("_s", "_ms", "_ppm", "_db", "_dbfs")):
            assert pa.types.is_float64(kind), (table, name, kind)
        for row, value in zip(rows, read.column(name).to_pylist()):
            cells += 1
            if not same(row[i], value, kind):
                wrong += 1
                print(f"{table.stem}.{name}: {row[i]!r} in the CSV, {value!r} in the Parquet file")
print(f"{cells} cells of {len(list(csv_dir.glob('*.csv')))} tables read by Arrow {pa.__version__}: {wrong} differ")
sys.exit(1 if wrong or cells == 0 else 0)
