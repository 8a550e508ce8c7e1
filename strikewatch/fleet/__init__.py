"""Fleets: the engine keyed by hammer, for more recordings than one process should replay.

recordings.py  which recordings hold a hammer, and when     hammer.py  one hammer: from saved state to tables
tables.py      the tables that a replay writes              folder.py  the folder of tables: manifest, commit
plan.py        what a run has to replay of each hammer      replay.py  a run: survey, plan, work, commit
spark.py       workers and DataFrames on Apache Spark       rates.py   rates by any attribute of hammers
bridge.py      MQTT to Apache Kafka, acknowledged after it  kafka.py   messages to a topic of Kafka

Only `spark` and `rates` import Spark, and only inside functions; only `kafka` imports Kafka's client, likewise.
"""
