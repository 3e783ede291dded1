"""A workspace that is costly to make, put back for each test as it was."""

import shutil
from pathlib import Path


class Snapshot:
    """A workspace as it was when this was made; it comes back in the very place, where its reader names its parts."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._kept = root.with_name(root.name + ".kept")
        shutil.copytree(root, self._kept, symlinks=True)

    @classmethod
    def of_copy(cls, whole: Path, root: Path) -> "Snapshot":
        """Of a workspace that others look at too, copied to `root`."""
        shutil.copytree(whole, root, symlinks=True)
        return cls(root)

    def restored(self) -> Path:
        """The workspace's folder, whatever was done to it meanwhile."""
        shutil.rmtree(self.root, ignore_errors=True)
        shutil.copytree(self._kept, self.root, symlinks=True)
        return self.root
