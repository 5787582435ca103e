"""Every call by which this process changes the disk, seen before and after: Python's own, and those of SQLite.

SQLite's are reached through its virtual file system (sqlite.org/vfs.html): the methods of every file that it opens are
replaced by ones that tell of the call and then do it. Needs SQLite as a library of its own, as Linux has it.
"""

import ctypes
import os
from pathlib import Path

SQLITE_OK = 0
_POINTER = ctypes.c_void_p
_OPEN = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, _POINTER, _POINTER, ctypes.c_int, _POINTER)
_DELETE = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, _POINTER, ctypes.c_int)
_WRITE = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, _POINTER, ctypes.c_int, ctypes.c_int64)
_TRUNCATE = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, ctypes.c_int64)
_SYNC = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, ctypes.c_int)


class _Vfs(ctypes.Structure):
    """sqlite3_vfs, as far as it is needed."""

    _fields_ = (
        ("version", ctypes.c_int), ("file_size", ctypes.c_int), ("longest_name", ctypes.c_int), ("next", _POINTER),
        ("name", ctypes.c_char_p), ("data", _POINTER), ("open", _POINTER), ("delete", _POINTER),
    )  # fmt: skip


_METHODS = ("close", "read", "write", "truncate", "sync", *(f"other_{i}" for i in range(13)))


class _Methods(ctypes.Structure):
    """sqlite3_io_methods of version 3."""

    _fields_ = (("version", ctypes.c_int), *((name, _POINTER) for name in _METHODS))


def sqlite_library():
    """The SQLite that Python uses, ``None`` where it is built into Python."""
    import _sqlite3  # loads it

    assert _sqlite3
    maps = Path("/proc/self/maps")
    if not maps.exists():
        return None
    paths = {line.split()[-1] for line in maps.read_text().splitlines() if "libsqlite3" in line}
    return ctypes.CDLL(paths.pop()) if len(paths) == 1 else None


def _text(name):
    """A name as C has it, whose memory stays SQLite's: it goes on using it."""
    return None if name is None else os.fsdecode(ctypes.string_at(name))


class Watch:
    """What is told of every call: its name and what it changes, before it is done and after.

    `before(call)` may return a number of bytes: only so many of a write are then done before `after`.
    """

    def __init__(self, before, after):
        self.before, self.after = before, after
        self._kept = []  # what C code refers to

    def install(self):
        """From here on, in this process; for good."""
        self._python()
        library = sqlite_library()
        if library is not None:
            self._sqlite(library)

    def _python(self):
        def watched(name, does, describe):
            def call(*args, **kwargs):
                said = describe(*args, **kwargs)
                if said is None:
                    return does(*args, **kwargs)
                self.before(said)
                out = does(*args, **kwargs)
                self.after(said)
                return out

            setattr(os, name, call)

        makes = os.O_CREAT
        watched("open", os.open, lambda p, flags, *_, **__: ("create", str(p)) if flags & makes else None)
        watched("fsync", os.fsync, lambda fd: ("fsync", os.readlink(f"/proc/self/fd/{fd}")))
        watched("replace", os.replace, lambda a, b, **_: ("replace", str(a), str(b)))
        watched("mkdir", os.mkdir, lambda p, *_, **__: ("mkdir", str(p)))
        watched("unlink", os.unlink, lambda p, **_: ("unlink", str(p)))

    def _sqlite(self, library):
        library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
        library.sqlite3_vfs_find.argtypes = (ctypes.c_char_p,)
        vfs = library.sqlite3_vfs_find(None).contents
        opens, deletes = _OPEN(vfs.open), _DELETE(vfs.delete)
        self._names, self._originals = {}, {}

        @_OPEN
        def opened(at, name, file, flags, out):
            path = _text(name)
            said = ("create", path) if path is not None and not os.path.exists(path) else None
            if said:
                self.before(said)
            code = opens(at, name, file, flags, out)
            if code == SQLITE_OK and path is not None:
                self._names[file] = path
                self._replace_methods(file)
            if said and code == SQLITE_OK:
                self.after(said)
            return code

        @_DELETE
        def deleted(at, name, sync):
            said = ("unlink", _text(name))
            self.before(said)
            code = deletes(at, name, sync)
            self.after(said)
            return code

        vfs.open, vfs.delete = (ctypes.cast(f, _POINTER).value for f in (opened, deleted))
        self._kept += [opened, deleted, opens, deletes]

    def _replace_methods(self, file):
        """The file's methods by ones that tell of each change."""
        at = ctypes.cast(file, ctypes.POINTER(_POINTER))
        original = at[0]
        if original not in self._originals:
            methods = _Methods.from_buffer_copy(ctypes.string_at(original, ctypes.sizeof(_Methods)))
            write, truncate, sync = _WRITE(methods.write), _TRUNCATE(methods.truncate), _SYNC(methods.sync)
            mine = self._wrapped(write, truncate, sync)
            methods.write, methods.truncate, methods.sync = (ctypes.cast(f, _POINTER).value for f in mine)
            self._originals[original] = methods
            self._kept += [write, truncate, sync, *mine]
        at[0] = ctypes.addressof(self._originals[original])

    def _wrapped(self, write, truncate, sync):
        @_WRITE
        def written(file, data, size, offset):
            said = ("write", self._names[file], offset, ctypes.string_at(data, size))
            part = self.before(said)
            code = write(file, data, size if part is None else min(part, size), offset)
            self.after(said)
            return code

        @_TRUNCATE
        def truncated(file, size):
            said = ("truncate", self._names[file], size)
            self.before(said)
            code = truncate(file, size)
            self.after(said)
            return code

        @_SYNC
        def synced(file, flags):
            said = ("sync", self._names[file])
            self.before(said)
            code = sync(file, flags)
            self.after(said)
            return code

        return written, truncated, synced
