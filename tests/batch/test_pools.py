"""Processes of this machine: whose they are."""

import multiprocessing
import time

from rakelight.batch.pools import LocalPool


def test_hurried_close_ends_only_the_pool_own_processes():
    """A child that somebody else started lives on; the pool's own are ended at once."""
    stranger = multiprocessing.get_context("spawn").Process(target=time.sleep, args=(60,))
    stranger.start()
    try:
        pool = LocalPool(1, threads=1, limit_s=0.0)
        pool._executor = pool._start()
        pool._executor.submit(time.sleep, 60)
        own = list(pool._executor._processes.values())
        pool.close(is_hurried=True)
        assert [False] == [process.is_alive() for process in own]
        assert stranger.is_alive()
    finally:
        stranger.terminate()
        stranger.join()
