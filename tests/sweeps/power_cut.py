"""A disk that forgets what was not synced: files and names as they are after a power cut.

A file's bytes are kept once it is synced, a new or changed name once its folder is; SQLite syncs the folder of a log
that it makes with the log's first sync (`UNIXFILE_DIRSYNC` in its os_unix.c). What lies in between may be there or not:
none of it, or each write and each folder's first changes by the toss of a coin.
"""

from dataclasses import dataclass, field
from pathlib import Path


@dataclass
class File:
    """Bytes that are on the disk for good, and changes since."""

    safe: bytearray = field(default_factory=bytearray)
    since: list = field(default_factory=list)

    def sync(self):
        for change in self.since:
            _do(self.safe, change)
        self.since = []


def _do(data, change):
    kind, at, new = change
    if kind == "write":
        data.extend(b"\0" * (at - len(data)))
        data[at : at + len(new)] = new
    elif kind == "truncate":
        del data[at:]
    else:
        data[:] = new


class Disk:
    """The files below a folder, which began as a copy of another."""

    def __init__(self, began_as, folder):
        self.folder = str(folder)
        found = [p for p in began_as.rglob("*") if p.is_file()]
        self.now = {str(folder / p.relative_to(began_as)): File(bytearray(p.read_bytes())) for p in found}
        self.safe = dict(self.now)
        self.renames = []
        """Changes of names that no sync of their folder has made safe: name, and the file it now stands for or none."""

    def apply(self, call):
        """Do one call of the log; an empty list, for it acknowledges nothing."""
        kind, path, *rest = call
        if not path.startswith(self.folder):
            return []
        if kind == "create" and path not in self.now:
            self._name(path, File())
        elif kind == "write":
            self.now[path].since.append(("write", rest[0], bytes.fromhex(rest[1])))
        elif kind == "truncate":
            self.now[path].since.append(("truncate", rest[0], b""))
        elif kind == "sync":
            self.now[path].sync()
            self._settle(lambda name: name == path)
        elif kind == "fsync" and rest[0] is None:
            self._settle(lambda name: str(Path(name).parent) == path)
        elif kind == "fsync":
            self.now[path].since = [("all", 0, bytes.fromhex(rest[0]))]
            self.now[path].sync()
        elif kind == "replace":
            self._replace(path, *rest)
        elif kind == "unlink" and path in self.now:
            self._name(path, None)
        return []

    def _replace(self, path, to, data):
        file = self.now.get(path)
        if file is None:  # a folder
            return
        content = bytes.fromhex(data)
        if bytes(file.safe) != content:  # written without a sync
            file.since = [("all", 0, content)]
        self._name(path, None)
        self._name(to, file)

    def _name(self, path, file):
        if file is None:
            self.now.pop(path, None)
        else:
            self.now[path] = file
        self.renames.append((path, file))

    def _settle(self, which):
        for path, file in [r for r in self.renames if which(r[0])]:
            self._keep(path, file)
        self.renames = [r for r in self.renames if not which(r[0])]

    def _keep(self, path, file):
        if file is None:
            self.safe.pop(path, None)
        else:
            self.safe[path] = file

    def after_power_cut(self, target, rng):
        """Write what is left into another folder: with `rng` by the toss of a coin, else only what was synced."""
        if rng is not None:
            self._some_names(rng)
        for path in [p for p in target.rglob("*") if p.is_file()]:
            path.unlink()
        for name, file in self.safe.items():
            data = bytearray(file.safe)
            for change in file.since if rng is not None else ():
                if rng.random() < 0.5:
                    _do(data, change)
            to = target / Path(name).relative_to(self.folder)
            to.parent.mkdir(parents=True, exist_ok=True)
            to.write_bytes(data)

    def _some_names(self, rng):
        """Of each folder, the first few changes of names: a file system keeps them in their order."""
        for folder in sorted({str(Path(name).parent) for name, _ in self.renames}):
            mine = [r for r in self.renames if str(Path(r[0]).parent) == folder]
            for path, file in mine[: rng.randint(0, len(mine))]:
                self._keep(path, file)
