"""Compiled kernels on disk: several processes may start on a fresh installation at once."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from numba.core.caching import IndexDataCacheFile

from tracks.one_source import _OneWriter, wrap_angle


def saved_at_once(kind: type[IndexDataCacheFile], folder: str) -> list[str]:
    """Save the code of four argument types from four writers at once; give what is read back for each."""

    class Slow(kind):
        def _load_index(self):
            found = super()._load_index()
            time.sleep(0.05)  # the others read the index now, too
            return found

    writers = [Slow(folder, "kernel", "stamp") for _ in range(4)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda i: writers[i].save(f"type {i}", f"code {i}"), range(4)))
    return [IndexDataCacheFile(folder, "kernel", "stamp").load(f"type {i}") for i in range(4)]


def test_each_argument_type_keeps_its_own_code(tmp_path):
    """Four writers at once: no code is lost and none stands under another's name."""
    assert saved_at_once(_OneWriter, str(tmp_path)) == [f"code {i}" for i in range(4)]


def test_without_the_lock_code_is_lost(tmp_path):
    """The check above can fail: numba's own cache file keeps one writer's index only."""
    assert saved_at_once(IndexDataCacheFile, str(tmp_path)) != [f"code {i}" for i in range(4)]


def test_equations_write_with_the_lock():
    """Every compiled equation has the locked cache; without numba's compiler it has none."""
    cache = getattr(wrap_angle, "_cache", None)
    if cache is None:
        pytest.skip("numba's compiler is switched off")
    assert isinstance(cache._cache_file, _OneWriter)
