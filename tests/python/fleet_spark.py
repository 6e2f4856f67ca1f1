"""Asks the fleet's questions of one dataset in DuckDB and in Spark, with the same SQL, and compares the answers in their order.

    fleet_spark.py FLEET        a directory that `nightclamp push` has made

Exit code 0 if they agree, else 1 and a message.
"""

import pathlib
import sys

import duckdb
from pyspark.sql import SparkSession

SQL = pathlib.Path(__file__).parents[2] / "daemon/fleet/sql"
TABLES = ("cycles", "units")


def by_duckdb(fleet, texts):
    with duckdb.connect() as connection:
        for table in TABLES:
            connection.sql(f"create view {table} as select * from "
                           f"read_parquet('{fleet}/{table}/**/*.parquet', hive_partitioning = true, union_by_name = true)")
        return [connection.sql(text).fetchall() for text in texts]


def by_spark(fleet, texts):
    spark = SparkSession.builder.master("local[2]").config("spark.ui.enabled", "false").getOrCreate()
    spark.sparkContext.setLogLevel("ERROR")
    for table in TABLES:
        spark.sql(f"create temporary view {table} using parquet options (path '{fleet}/{table}', mergeSchema 'true')")
    answers = [[tuple(row) for row in spark.sql(text).collect()] for text in texts]
    spark.stop()
    return answers


def main():
    fleet = pathlib.Path(sys.argv[1]).absolute()
    questions = sorted(SQL.glob("*.sql"))
    texts = [question.read_text() for question in questions]
    for question, ours, theirs in zip(questions, by_duckdb(fleet, texts), by_spark(fleet, texts), strict=True):
        if len(ours) < 2 or ours != theirs:
            sys.exit(f"does not hold: {question.stem}: DuckDB says {ours}, Spark {theirs}")
        print(f"{question.stem}: DuckDB and Spark say the same: {theirs}")


if __name__ == "__main__":
    main()
