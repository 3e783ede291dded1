"""One run at a time in a workspace."""

import errno
from collections.abc import Iterator
from contextlib import contextmanager

from filelock import FileLock, Timeout

from pipeline.errors import RefusedError, WorkspaceBusyError
from pipeline.workspace.places import Workspace


@contextmanager
def locked(workspace: Workspace, *, wait_s: float = 0.0) -> Iterator[None]:
    """The workspace is this process's alone until the block ends; the lock dies with the process.

    Raises WorkspaceBusyError if another run holds it for longer than `wait_s`, RefusedError if it may not be written.
    """
    lock = FileLock(workspace.lock_file)
    try:
        lock.acquire(timeout=wait_s)
    except Timeout as error:
        raise WorkspaceBusyError(
            "another run holds the workspace", str(workspace.root), "wait for it to end, or see `noonmark status`"
        ) from error
    except OSError as error:
        if error.errno not in (errno.EACCES, errno.EPERM, errno.EROFS):
            raise
        raise RefusedError(
            f"the workspace may not be written ({error.strerror})", str(workspace.root),
            "set its owner and mode so that noonmark may read and write it",
        ) from error  # fmt: skip
    try:
        yield
    finally:
        lock.release()
