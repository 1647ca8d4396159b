"""A worker process: ``python -P -m wearvision.bulk.child``. It is told its work once, then asked item by item.

Frames are eight bytes of length and a pickle, both ways, from and to the process that started it and nobody else.
"""

from __future__ import annotations

import os
import pickle
import queue
import sys
import threading
import traceback
from typing import IO, Any

LENGTH = 8


def send(stream: IO[bytes], message: Any) -> None:
    """Writes one frame. OSError or ValueError once the other side is gone."""
    data = pickle.dumps(message, pickle.HIGHEST_PROTOCOL)
    stream.write(len(data).to_bytes(LENGTH, "big") + data)
    stream.flush()


def receive(stream: IO[bytes]) -> Any:
    """Reads one frame. EOFError once the other side is gone."""
    head = _exactly(stream, LENGTH)
    return pickle.loads(_exactly(stream, int.from_bytes(head, "big")))


def _exactly(stream: IO[bytes], count: int) -> bytes:
    data = stream.read(count)
    if len(data) < count:
        raise EOFError
    return data


def main() -> None:
    """Serves the process that started this one until it closes the stream, or ends."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints must not get between the frames
    asked: queue.SimpleQueue[Any] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(asked,), daemon=True).start()
    try:
        work = asked.get().start()
    except BaseException as error:
        send(out, ("unable", _sendable(error)))
        return
    send(out, ("ready", None))
    told = False
    while True:
        item = asked.get()
        try:
            answer = ("done", work(item))
        except Exception as error:  # one item that nobody foresaw must not end the others
            if not told:  # where it came from is the same for many photos
                traceback.print_exc()
            told = True
            answer = ("failed", f"{type(error).__name__}: {error}")
        send(out, answer)


def _listen(asked: queue.SimpleQueue[Any]) -> None:
    """Passes frames on; ends the process at once, whatever it is at, when whoever started it is gone."""
    try:
        while True:
            asked.put(receive(sys.stdin.buffer))
    except BaseException:
        os._exit(0)


def _sendable(error: BaseException) -> BaseException:
    """The error if it survives a pickle, else one that says the same."""
    try:
        return pickle.loads(pickle.dumps(error))  # type: ignore[no-any-return]
    except Exception:
        return RuntimeError(f"{type(error).__name__}: {error}")


if __name__ == "__main__":
    main()
