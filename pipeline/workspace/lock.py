"""One run at a time in a workspace."""

from collections.abc import Iterator
from contextlib import contextmanager

from filelock import FileLock, Timeout

from pipeline.errors import WorkspaceBusyError
from pipeline.workspace.places import Workspace


@contextmanager
def locked(workspace: Workspace, *, wait_s: float = 0.0) -> Iterator[None]:
    """The workspace is this process's alone until the block ends; the lock dies with the process.

    Raises WorkspaceBusyError if another run holds it for longer than `wait_s`.
    """
    lock = FileLock(workspace.lock_file)
    try:
        lock.acquire(timeout=wait_s)
    except Timeout as error:
        raise WorkspaceBusyError(
            "another run holds the workspace", str(workspace.root), "wait for it to end, or see `noonmark status`"
        ) from error
    try:
        yield
    finally:
        lock.release()
