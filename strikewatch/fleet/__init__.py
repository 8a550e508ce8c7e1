"""Fleets: the engine keyed by hammer, for more recordings than one process should replay.

recordings.py  which recordings hold a hammer, and when     hammer.py  one hammer: from saved state to tables
tables.py      the tables that a replay writes              folder.py  the folder of tables: manifest, commit
replay.py      a run: survey, plan, work, commit            rates.py   rates by any attribute of hammers
compact.py     small recordings joined by month             review.py  the review of one site
spark.py       workers and DataFrames on Apache Spark       worker_daemon.py  loads detectors for Spark's workers
failure.py     errors of Spark in few lines                 table_source.py   samples of a DataFrame as recordings
bridge.py      MQTT to Apache Kafka, acknowledged after it  kafka.py   messages to a topic of Kafka

Only `spark`, `rates` and `worker_daemon` import Spark, and only inside functions; `kafka` imports its client likewise.
"""
