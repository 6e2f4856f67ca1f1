"""Pushes records of several sites to a local server that speaks S3 and to a directory, and asks the fleet's questions.

    fleet.py NIGHTCLAMP SCRATCH RECORD...        (NIGHTCLAMP built with --features push)

The first push is killed as soon as it has sent something and called again; what the server took is read from the server. The dataset on
the disk has to be that on the server. The questions in daemon/fleet/sql are answered by DuckDB, and worked out again from the
tables row by row.
Exit code 0 if all holds, else 1 and a message.
"""

import collections
import logging
import os
import pathlib
import signal
import subprocess
import sys
import time

import boto3
import duckdb
import pyarrow.dataset as ds
from moto.server import ThreadedMotoServer

SQL = pathlib.Path(__file__).parents[2] / "daemon/fleet/sql"
TABLES = ("cycles", "units")


def require(holds, what):
    if not holds:
        sys.exit(f"does not hold: {what}")


def push(nightclamp, record, url, settings, kill_after_first=False):
    """Calls push; what it printed. If it is to be killed, that happens when it names its second file."""
    call = subprocess.Popen([nightclamp, "push", record, url], env=os.environ | settings,
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    if kill_after_first:
        for _ in range(2):
            call.stderr.readline()
        call.send_signal(signal.SIGKILL)
    out, err = call.communicate(timeout=300)
    require(kill_after_first or call.returncode == 0, f"push {record} {url}: {err}")
    return out


class Took:
    """Counts the objects that the server takes, by their key."""

    def __init__(self, app):
        self.app, self.puts = app, collections.Counter()

    def __call__(self, environ, start_response):
        if environ["REQUEST_METHOD"] == "PUT" and "partNumber" not in environ.get("QUERY_STRING", ""):
            self.puts[environ["PATH_INFO"]] += 1
        return self.app(environ, start_response)


def on_s3(nightclamp, records):
    """The dataset by key, pushed to the server with an interruption."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = ThreadedMotoServer(port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    took = Took(server._server.app)
    server._server.app = took
    settings = {"AWS_ACCESS_KEY_ID": "invented", "AWS_SECRET_ACCESS_KEY": "invented", "AWS_REGION": "us-east-1",
                "AWS_ENDPOINT_URL": f"http://{host}:{port}", "AWS_ALLOW_HTTP": "true"}
    client = boto3.client("s3", endpoint_url=settings["AWS_ENDPOINT_URL"], region_name="us-east-1",
                          aws_access_key_id="invented", aws_secret_access_key="invented")
    client.create_bucket(Bucket="fleet")
    took.puts.clear()
    push(nightclamp, records[0], "s3://fleet/all", settings, kill_after_first=True)
    print(f"killed after {sum(took.puts.values())} uploads")
    for record in records:
        print(push(nightclamp, record, "s3://fleet/all", settings).strip())
    for record in records:
        require(": 0 files uploaded" in push(nightclamp, record, "s3://fleet/all", settings), f"{record}: pushed again")
    twice = {key: times for key, times in took.puts.items() if times > 1}
    require(not twice, f"uploaded twice: {twice}")
    pages = client.get_paginator("list_objects_v2").paginate(Bucket="fleet")
    keys = [found["Key"] for page in pages for found in page["Contents"]]
    there = {key.removeprefix("all/"): client.get_object(Bucket="fleet", Key=key)["Body"].read() for key in keys}
    server.stop()
    return there


def on_disk(nightclamp, records, fleet):
    fleet.mkdir()
    for record in records:
        push(nightclamp, record, str(fleet), {})
    return {str(path.relative_to(fleet)): path.read_bytes() for path in fleet.rglob("*") if path.is_file()}


def by_duckdb(fleet, text):
    with duckdb.connect() as connection:
        for table in TABLES:
            connection.sql(f"create view {table} as select * from "
                           f"read_parquet('{fleet}/{table}/**/*.parquet', hive_partitioning = true, union_by_name = true)")
        return connection.sql(text).fetchall()


def by_hand(fleet):
    """Both answers, worked out row by row."""
    rows = {table: ds.dataset(fleet / table, partitioning="hive").to_table().to_pylist() for table in TABLES}
    units = {(unit["site"], unit["record"], unit["unit"]): unit for unit in rows["units"]}
    early, short = {}, {}
    for cycle in rows["cycles"]:
        unit = units[cycle["site"], cycle["record"], cycle["unit"]]
        if cycle["ended_by"] == "protector":
            of = early.setdefault(unit["protector_model"], [0, 0, 0, set()])
            of[0] += 1
            of[1] += cycle["cause"] == "early"
            of[2] += cycle["cause"] == "undetermined"
            of[3].add(cycle["site"])
        if cycle["ended_by"] == "control":
            of = short.setdefault((cycle["site"], cycle["unit"]), [0, 0, 0])
            of[0] += 1
            for at, (is_s, least_s) in enumerate([("on_s", "min_run_s"), ("off_s", "min_off_s")], 1):
                given = cycle[is_s] is not None and unit[least_s] is not None
                of[at] += given and cycle[is_s] < unit[least_s]
    return {"early": {(model, *of[:3], len(of[3])) for model, of in early.items()},
            "short_cycling": {(*name, *of) for name, of in short.items()}}


def main():
    nightclamp, scratch, *records = sys.argv[1:]
    began = time.monotonic()
    fleet = pathlib.Path(scratch).absolute() / "fleet"
    there, here = on_s3(nightclamp, records), on_disk(nightclamp, records, fleet)
    require(there == here, f"the dataset on the disk is another: {sorted(set(there) ^ set(here))}")
    print(f"{len(there)} objects of {len(records)} records, the same on S3 and on the disk, none uploaded twice")
    own = by_hand(fleet)
    for question, rows in own.items():
        text = (SQL / f"{question}.sql").read_text()
        answer = by_duckdb(fleet, text)
        require(len(answer) > 1 and set(answer) == rows, f"{question}: DuckDB says {answer}, by hand {rows}")
        print(f"{question}, DuckDB: {answer}")
    print(f"{time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
