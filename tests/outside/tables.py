#!/usr/bin/env python3
"""Exported tables read by pyarrow, DuckDB and pandas.

    tables.py SEATHOLD FOLDER RECORDING...

SEATHOLD is the program, FOLDER where tables go. Fails with what differs.
"""

import json
import math
import subprocess
import sys
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow.parquet as pq

TABLES = ("runs", "sides", "samples")


def rows_of(path):
    """Rows of a file of any of the three kinds, as lists of dictionaries with plain values."""
    if path.suffix == ".parquet":
        frame = duckdb.sql(f"select * from '{path}'")
    elif path.suffix == ".csv":
        # Types are taken from the Parquet file, names from both: a CSV has none.
        kinds = {c: t for c, t in zip(*schema(path.with_suffix(".parquet")))}
        frame = duckdb.sql(f"select * from read_csv('{path}', header=true, types={kinds!r})")
    else:
        kinds = {c: t for c, t in zip(*schema(path.with_suffix(".parquet")))}
        frame = duckdb.sql(f"select * from read_json('{path}', format='newline_delimited', columns={kinds!r})")
    return frame.columns, frame.fetchall()


def schema(path):
    frame = duckdb.sql(f"select * from '{path}'")
    return frame.columns, [str(t) for t in frame.types]


def same(a, b):
    if a in (None, "") and b in (None, ""):
        return True
    if isinstance(a, float) and isinstance(b, float):
        return a == b or (math.isnan(a) and math.isnan(b))
    return a == b


def main():
    seathold, folder, recordings = sys.argv[1], Path(sys.argv[2]), sys.argv[3:]
    for ending in ("parquet", "csv", "jsonl"):
        options = [x for t in TABLES for x in (f"--{t}", str(folder / f"{t}.{ending}"))]
        subprocess.run([seathold, "export", *recordings, *options], check=True, stdout=subprocess.DEVNULL)

    duckdb.sql("set timezone = 'UTC'")
    for table in TABLES:
        names, rows = rows_of(folder / f"{table}.parquet")
        assert rows, f"{table}: no rows"
        for ending in ("csv", "jsonl"):
            other_names, other = rows_of(folder / f"{table}.{ending}")
            assert names == other_names, f"{table}.{ending}: columns {other_names}"
            assert len(rows) == len(other), f"{table}.{ending}: {len(other)} rows, not {len(rows)}"
            for i, (a, b) in enumerate(zip(rows, other)):
                for name, x, y in zip(names, a, b):
                    assert same(x, y), f"{table}.{ending}, row {i}, {name}: {y!r}, in Parquet {x!r}"
        # A second reader with a code base of its own.
        arrow = pq.read_table(folder / f"{table}.parquet")
        assert arrow.column_names == list(names) and arrow.num_rows == len(rows)
        print(f"{table}: {len(rows)} rows alike in Parquet, CSV and JSON Lines")

    runs = pd.read_parquet(folder / "runs.parquet")
    sides = pd.read_parquet(folder / "sides.parquet")
    samples = pd.read_parquet(folder / "samples.parquet")
    assert len(runs) == len(recordings) and runs.run.is_unique and runs.complete.all()
    for path, run in zip(recordings, runs.itertuples()):
        shown = json.loads(subprocess.run([seathold, "show", path, "--json"], check=True, capture_output=True).stdout)
        assert run.serial == shown["header"]["serial"] and run.verdict == shown["verdict"], path
        of = samples[samples.run == run.run]
        assert len(of) == run.polls == shown["polls"], path
        assert abs((of.time_us.max() - of.time_us.min()) / 1e6 - run.length_s) < 1e-9, path
        judged = [e["event"]["side-finished"] for e in shown["events"] if "side-finished" in e["event"]]
        mine = sides[sides.run == run.run]
        assert len(judged) == len(mine), path
        for theirs, row in zip(judged, mine.itertuples()):
            assert theirs["verdict"] == row.verdict and theirs["reason"] == row.reason, path
            if theirs["estimate"]:
                assert theirs["estimate"]["leak"] == row.leak_pa_m3_s, path
                parts = [getattr(row, c) for c in mine.columns if c.startswith("u_")]
                # Combined as the root of the sum of squares: JCGM 100:2008, 5.1.2.
                assert math.isclose(math.sqrt(sum(u * u for u in parts)), row.combined_pa_m3_s, rel_tol=1e-9), path
    print("runs, sides and samples agree with `seathold show --json`")

    # The examples of the book, as printed there.
    book = (Path(__file__).parents[2] / "docs" / "export.md").read_text()
    examples = [part.split("```")[0] for part in book.split("```sql\n")[1:]]
    assert examples, "docs/export.md has no example"
    connection = duckdb.connect()
    connection.execute(f"set file_search_path = '{folder}'")
    for example in examples:
        assert connection.sql(example).fetchall(), f"nothing came of:\n{example}"
    scripts = [part.split("```")[0] for part in book.split("```python\n")[1:]]
    for script in (s for s in scripts if "pandas" in s):
        subprocess.run([sys.executable, "-c", script], check=True, cwd=folder, stdout=subprocess.DEVNULL)
    print(f"{len(examples)} queries and the pandas script of docs/export.md run")


if __name__ == "__main__":
    main()
