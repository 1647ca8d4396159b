"""Opens a model's graph in ONNX Runtime; begun early, it loads beside whatever else starts."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

_begun: dict[Path, Future[Any]] = {}


def begin_graph(path: Path) -> None:
    """Begins to open a graph for one thread in the background; the next ``open_graph`` of that path takes it over."""
    # In this thread: NumPy below it fails where two threads import it at the same time.
    import onnxruntime  # noqa: F401

    aside = ThreadPoolExecutor(1)
    _begun[path] = aside.submit(_opened, path, 1)
    aside.shutdown(wait=False)


def open_graph(path: Path, threads: int = 1) -> Any:
    """A session on the processor.

    Args:
        path: The ONNX file.
        threads: Threads that it may use for one run.

    Raises:
        Exception: the runtime cannot load the graph; its exceptions share no public base.
    """
    begun = _begun.pop(path, None) if threads == 1 else None
    return _opened(path, threads) if begun is None else begun.result()


def _opened(path: Path, threads: int) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
