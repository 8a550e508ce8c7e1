"""Spark's daemon of Python workers, with the detectors loaded before it forks, so that each worker starts with them.

Named by `spark.python.daemon.module`. Where it is not, each worker loads them itself, which takes it seconds of CPU.
"""

import gc


def load() -> None:
    """Import what a worker needs, load the compiled detectors, and keep the garbage collector from looking at it."""
    import pyspark.worker  # noqa: F401

    from strikewatch.fleet import rates, replay  # noqa: F401
    from strikewatch.service.precompile import precompile

    precompile(lambda _: None)
    gc.set_threshold(50_000, 10, 10)  # a replay makes many records, none of them in cycles
    gc.freeze()


if __name__ == "__main__":
    from pyspark.daemon import manager

    load()
    manager()
