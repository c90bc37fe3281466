"""New folders of files for a person, by the rules of `files.NewFile`. Touches the file system only.

The folder is made under a draft name beside its own, entered by its owner alone, and gets its name
when all its files are whole. An existing folder stays, unless the caller asks to replace it; then
it must be a folder of this user with nothing in it but files that this writer makes.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
from typing import TYPE_CHECKING, BinaryIO

from .files import FLAGS, FOLDER_FLAGS, MODE, FileError

if TYPE_CHECKING:
    from collections.abc import Collection
    from os import PathLike
    from types import TracebackType

FOLDER_MODE = 0o700
LISTED_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


class NewFolder:
    """A folder that is being filled under a draft name until `publish` gives it its own.

    names: of all files that may be in it. replace: it may take the place of an older one of its
    sort. As a context manager it publishes the folder, and after an error leaves nothing of it.

    Raises FileError from the constructor, `open` and `publish`.
    """

    def __init__(
        self, path: str | PathLike[str], names: Collection[str], *, replace: bool = False
    ) -> None:
        self.path = os.fspath(path).rstrip(os.sep)
        self._names = names
        self._replace = replace
        above, self._name = os.path.split(self.path)
        self._draft = f".idlehands-{secrets.token_hex(8)}.part"
        self._above = self._folder = -1
        try:
            self._above = os.open(above or ".", FOLDER_FLAGS)
            self._check()
            os.mkdir(self._draft, FOLDER_MODE, dir_fd=self._above)
            self._folder = os.open(self._draft, LISTED_FLAGS, dir_fd=self._above)
        except OSError as error:
            self.close()
            raise self._error(error) from error
        except FileError:
            self.close()
            raise

    def _check(self) -> bool:
        """Say whether there is an older folder to replace. Raises FileError if it has to stay."""
        if not self._name:
            raise FileError(f"{self.path!r} is not the name of a folder")
        try:
            status = os.stat(self._name, dir_fd=self._above, follow_symlinks=False)
        except FileNotFoundError:
            return False
        if not stat.S_ISDIR(status.st_mode):
            raise FileError(f"{self.path}: is no folder; it was not changed")
        if not self._replace:
            raise FileError(f"{self.path}: exists and was not changed; --force replaces it")
        if status.st_uid != os.geteuid():
            raise FileError(f"{self.path}: belongs to user {status.st_uid}; it was not changed")
        others = sorted(set(self._files(self._name)) - set(self._names))
        if others:
            raise FileError(f"{self.path}: has other files in it ({others[0]}); it was not changed")
        return True

    def open(self, name: str) -> BinaryIO:
        """Return a new file in the folder, one of its names, open for writing."""
        try:
            return os.fdopen(os.open(name, FLAGS, MODE, dir_fd=self._folder), "wb")
        except OSError as error:
            raise self._error(error) from error

    def publish(self) -> None:
        """Give the folder its own name."""
        try:
            older = ""
            if self._check():
                older = f"{self._draft}.old"
                os.rename(self._name, older, src_dir_fd=self._above, dst_dir_fd=self._above)
            try:
                os.rename(self._draft, self._name, src_dir_fd=self._above, dst_dir_fd=self._above)
            except OSError:
                if older:
                    os.rename(older, self._name, src_dir_fd=self._above, dst_dir_fd=self._above)
                raise
            self._draft = ""
            if older:
                self._remove(older)
        except OSError as error:
            raise self._error(error) from error

    def close(self) -> None:
        """Close the folder, and remove it if it was not published. A second call does nothing."""
        folder, self._folder = self._folder, -1
        if folder >= 0:
            os.close(folder)
            if self._draft:
                with contextlib.suppress(OSError):
                    self._remove(self._draft)
        above, self._above = self._above, -1
        if above >= 0:
            os.close(above)

    def _files(self, name: str) -> list[str]:
        folder = os.open(name, LISTED_FLAGS, dir_fd=self._above)
        try:
            return os.listdir(folder)
        finally:
            os.close(folder)

    def _remove(self, name: str) -> None:
        """Remove a folder with the files that this writer makes, and with nothing else in it."""
        folder = os.open(name, LISTED_FLAGS, dir_fd=self._above)
        try:
            for file in set(os.listdir(folder)) & set(self._names):
                os.unlink(file, dir_fd=folder)
        finally:
            os.close(folder)
        os.rmdir(name, dir_fd=self._above)

    def _error(self, error: OSError) -> FileError:
        return FileError(f"{self.path}: {error.strerror}")

    def __enter__(self) -> NewFolder:
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
