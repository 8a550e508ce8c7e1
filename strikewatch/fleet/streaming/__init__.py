"""Live hammers of a fleet on Spark Structured Streaming: messages in, alerts of a site's database out.

engine.py   settings and detectors, as a worker process has them    shard.py  one micro-batch of some hammers
messages.py sources of messages, and the hammers of each message    saved.py  what a micro-batch leaves, as bytes
query.py    the streaming query with its state                      sink.py   outcomes into database and tables, once
run.py      the command: query, dispatcher, stop

Only `messages` and `query` import Spark, and only inside functions.
"""
