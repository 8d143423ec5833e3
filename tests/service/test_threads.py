"""Threads that work in turn: free places go to whoever waited longest, and nobody waits for ever."""

from __future__ import annotations

import threading
import time
from concurrent.futures import wait

from service.server.threads.pool import HERE, Pool


def test_no_more_work_at_once_than_there_are_places() -> None:
    pool, lock = Pool(3, 20), threading.Lock()
    now, most = 0, 0

    def work() -> None:
        nonlocal now, most
        for _ in range(20):
            with lock:
                now += 1
                most = max(most, now)
            time.sleep(0.0005)
            with lock:
                now -= 1
            HERE.pool.leave()
            HERE.pool.back()

    done = wait([pool.submit(work) for _ in range(30)], timeout=30)
    assert not done.not_done and all(future.exception() is None for future in done.done)
    assert most == 3


def test_a_new_request_waits_behind_those_that_came_back_before_and_before_those_after() -> None:
    pool, order, gate = Pool(1, 10), list[str](), threading.Event()
    left = [threading.Event() for _ in range(3)]
    come = [threading.Event() for _ in range(3)]

    def away(number: int) -> None:
        HERE.pool.leave()
        left[number].set()
        come[number].wait()
        HERE.pool.back()
        order.append(f"back {number}")

    futures = []
    for number in range(3):
        futures.append(pool.submit(away, number))
        assert left[number].wait(5)
    futures.append(pool.submit(gate.wait, 5))  # it has the only place until the gate opens
    come[0].set()
    _until(pool, 1)
    futures.append(pool.submit(order.append, "new"))
    come[1].set()
    come[2].set()
    _until(pool, 4)
    gate.set()
    assert not wait(futures, timeout=10).not_done
    assert order[:2] == ["back 0", "new"] and sorted(order[2:]) == ["back 1", "back 2"]


def test_whoever_comes_back_gets_a_place_though_new_requests_wait_for_a_thread() -> None:
    pool, left, come = Pool(1, 2), threading.Semaphore(0), threading.Event()

    def away() -> None:
        HERE.pool.leave()
        left.release()
        come.wait()
        HERE.pool.back()

    futures = [pool.submit(away) for _ in range(4)]  # the third and fourth find no thread
    assert left.acquire(timeout=5) and left.acquire(timeout=5)
    come.set()
    assert not wait(futures, timeout=10).not_done


def test_work_that_fails_gives_its_place_back() -> None:
    pool = Pool(1, 1)
    failing, working = pool.submit(lambda: 1 / 0), pool.submit(lambda: 7)
    assert isinstance(failing.exception(5), ZeroDivisionError)
    assert working.result(5) == 7


def _until(pool: Pool, wanting: int) -> None:
    for _ in range(1000):
        if len(pool._wanting) == wanting:
            return
        time.sleep(0.005)
    raise AssertionError(f"{len(pool._wanting)} are waiting, not {wanting}")
