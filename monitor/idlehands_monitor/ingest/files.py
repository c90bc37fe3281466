"""Writes files for a person: captures, copies of captures, HTML. Touches the file system only.

A file holds names and paths of a program, and its writer may be root in another user's folder. So
a new file is made under a draft name in the same folder, readable by its owner alone, and then
gets its name in one step: no existing file is written into, no link is followed, and nobody sees
half a file. An existing file stays, unless the caller asks to replace it; then it must be a regular
file of this user.

The draft of a file whose beginning is of use alone, as a capture's is, has a visible name that says
what it is the draft of. It stays where the file does not get its own name.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from typing import TYPE_CHECKING
from urllib.parse import quote

if TYPE_CHECKING:
    from os import PathLike
    from types import TracebackType

MODE = 0o600
FLAGS = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
FOLDER_FLAGS = getattr(os, "O_PATH", os.O_RDONLY) | os.O_DIRECTORY | os.O_CLOEXEC
NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
"""The errors of file systems without hard links."""
COPY_BYTES = 1 << 20
MOST_PARTS = 1000
"""Drafts of one file that earlier writers have left."""


class FileError(ValueError):
    """A file cannot be written; the message is one line for a person, the path first."""


def sqlite_uri(path: str) -> str:
    """Return the URI of a file for SQLite (sqlite.org, "Uniform Resource Identifiers")."""
    return f"file:///{quote(os.fsencode(os.path.abspath(path)).lstrip(b'/'))}"


class NewFile:
    """A file that is being written under a draft name until `publish` gives it its own.

    replace: it may take the place of a regular file of this user. is_of_use: its beginning is of
    use alone; then the draft is named for it, NAME.part, and only `discard` deletes it. As a
    context manager it publishes the file, and after an error leaves nothing of it.

    size: how many bytes have been written. Raises FileError from the constructor, `write`,
    `replace_start` and `publish`.
    """

    def __init__(
        self, path: str | PathLike[str], *, replace: bool = False, is_of_use: bool = False
    ) -> None:
        self.path = os.fspath(path)
        self.size = 0
        self._replace = replace
        self._is_of_use = is_of_use
        folder, self._name = os.path.split(self.path)
        self._draft = ""
        self._folder = self._file = -1
        try:
            self._folder = os.open(folder or ".", FOLDER_FLAGS)
            self._check()
            self._draft, self._file = self._new_draft(is_of_use=is_of_use)
        except OSError as error:
            self.close()
            raise self._error(error) from error
        except FileError:
            self.close()
            raise

    def _new_draft(self, *, is_of_use: bool) -> tuple[str, int]:
        """Make a new file; return its name and its descriptor. Raises OSError."""
        names = [f".idlehands-{secrets.token_hex(8)}.part"]
        if is_of_use:
            counted = (f"{self._name}.{number}.part" for number in range(1, MOST_PARTS))
            names = [f"{self._name}.part", *counted]
        for name in names:
            with contextlib.suppress(FileExistsError):  # what an earlier writer has left
                return name, os.open(name, FLAGS, MODE, dir_fd=self._folder)
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), names[-1])

    @property
    def is_published(self) -> bool:
        """Whether the file has its own name."""
        return not self._draft

    @property
    def draft_path(self) -> str:
        """The path of the draft, as long as the file does not have its own name."""
        return os.path.join(os.path.dirname(self.path), self._draft)

    @property
    def is_closed(self) -> bool:
        """Whether the file has been closed."""
        return self._file < 0

    @property
    def draft_uri(self) -> str:
        """An SQLite URI of the draft, for a library that opens its file itself and makes none."""
        folder = f"/proc/self/fd/{self._folder}"
        if not os.path.isdir(folder):  # not Linux
            folder = os.path.dirname(self.path) or "."
        return f"{sqlite_uri(os.path.join(folder, self._draft))}?mode=rw"

    @property
    def written_bytes(self) -> int:
        """How long the file is, whoever has written into it."""
        return os.fstat(self._file).st_size

    def _check(self) -> None:
        """Raise FileError where its name is taken by something that may not be replaced."""
        if not self._name:
            raise FileError(f"{self.path!r} is not the name of a file")
        try:
            status = os.stat(self._name, dir_fd=self._folder, follow_symlinks=False)
        except FileNotFoundError:
            return
        if not stat.S_ISREG(status.st_mode):
            raise FileError(f"{self.path}: is not a regular file; it was not changed")
        if not self._replace:
            raise FileError(f"{self.path}: exists and was not changed; --force replaces it")
        if status.st_uid != os.geteuid():
            raise FileError(f"{self.path}: belongs to user {status.st_uid}; it was not changed")

    def write(self, data: bytes) -> None:
        """Write all of `data`, or nothing of it where there is no room."""
        try:
            self._write(self._file, data)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, self.size)
                os.lseek(self._file, self.size, os.SEEK_SET)
            raise self._error(error) from error
        self.size += len(data)

    @staticmethod
    def _write(file: int, data: bytes) -> None:
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(file, rest) :]

    def replace_start(self, place: int, start: bytes) -> None:
        """Have other bytes in the place of all before `place`, in one step.

        The disk must hold both for the moment. After an error everything is as before.
        """
        name, file = "", -1
        try:
            name, file = self._new_draft(is_of_use=False)
            self._write(file, start)
            while data := os.pread(self._file, COPY_BYTES, place):
                self._write(file, data)
                place += len(data)
            os.rename(name, self._draft, src_dir_fd=self._folder, dst_dir_fd=self._folder)
        except OSError as error:
            if file >= 0:
                os.close(file)
                with contextlib.suppress(OSError):
                    os.unlink(name, dir_fd=self._folder)
            raise self._error(error) from error
        os.close(self._file)
        self._file, self.size = file, os.fstat(file).st_size

    def publish(self) -> None:
        """Give the file its own name; it stays open for writing. A second call does nothing."""
        if self.is_published:
            return
        self._check()
        try:
            os.fsync(self._file)
            if self._replace:
                os.replace(
                    self._draft, self._name, src_dir_fd=self._folder, dst_dir_fd=self._folder
                )
            else:
                self._link()
        except OSError as error:
            raise self._error(error) from error
        self._draft = ""

    def _link(self) -> None:
        """Give the file its name unless that is taken: a rename would replace the other file."""
        try:
            os.link(
                self._draft,
                self._name,
                src_dir_fd=self._folder,
                dst_dir_fd=self._folder,
                follow_symlinks=False,
            )
        except OSError as error:
            if error.errno not in NO_LINKS:
                raise
            # Without links no check can be closer: the name was free just now.
            os.rename(self._draft, self._name, src_dir_fd=self._folder, dst_dir_fd=self._folder)
        else:
            os.unlink(self._draft, dir_fd=self._folder)

    def discard(self) -> None:
        """Close the file, and delete it if it was not published, whatever use it is of."""
        self._is_of_use = False
        self.close()

    def close(self) -> None:
        """Close the file, and delete it if it was not published and is of no use as it is.

        A second call does nothing.
        """
        file, self._file = self._file, -1
        folder, self._folder = self._folder, -1
        if file >= 0:
            os.close(file)
            if not self.is_published and not self._is_of_use:
                with contextlib.suppress(OSError):
                    os.unlink(self._draft, dir_fd=folder)
        if folder >= 0:
            os.close(folder)

    def _error(self, error: OSError) -> FileError:
        return FileError(f"{self.path}: {error.strerror}")

    def __enter__(self) -> NewFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None:
                self.publish()
        finally:
            self.close()
