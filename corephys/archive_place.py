"""A folder or an object store, by keys: whole objects in, whole objects out."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["Place"]


@dataclass(frozen=True)
class Place:
    """Where an archive lies.

    Parameters
    ----------
    where : str
        Path of a folder, or a URL such as ``s3://bucket/archive`` that fsspec understands.
    options : mapping
        For the file system of a URL: fsspec's ``storage_options``.
    """

    where: str
    options: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, where: Any, options: Mapping[str, Any] | None = None) -> Place:
        """The place that a user means: an absolute path, or the URL as it is."""
        text = os.fspath(where)
        if "://" in text:
            return cls(text.rstrip("/"), dict(options or {}))
        return cls(str(Path(text).absolute()))

    @property
    def is_local(self) -> bool:
        """Whether it is a folder of this machine."""
        return "://" not in self.where

    def name(self, key: str = "") -> str:
        """Full path or URL of a key, for messages."""
        return f"{self.where}/{key}" if key else self.where

    def _remote(self, key: str) -> tuple[Any, str]:
        try:
            from fsspec.core import url_to_fs
        except ModuleNotFoundError:
            raise ModuleNotFoundError(
                f"{self.where} is a URL, which needs fsspec: pip install 'corephys[archive]'"
            ) from None
        return url_to_fs(self.name(key), **self.options)  # type: ignore[no-any-return]

    def put(self, key: str, content: bytes) -> None:
        """Write an object; nobody ever sees half of it."""
        if not self.is_local:
            system, path = self._remote(key)
            system.pipe_file(path, content)
            return
        target = f"{self.where}/{key}"
        other = f"{target}.part{os.getpid()}"
        try:
            _write(other, content)
        except FileNotFoundError:
            os.makedirs(os.path.dirname(target), exist_ok=True)
            _write(other, content)
        os.replace(other, target)

    def put_new(self, key: str, content: bytes) -> bool:
        """Write an object only where there is none; whether it was written."""
        if not self.is_local:
            system, path = self._remote(key)
            try:
                if system.exists(path):
                    return False
                system.pipe_file(path, content, mode="create")
            except FileExistsError:
                return False
            return True
        target = Path(self.where, key)
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            with target.open("xb") as stream:
                stream.write(content)
        except FileExistsError:
            return False
        return True

    def get(self, key: str) -> bytes:
        """Read an object; FileNotFoundError where there is none."""
        if not self.is_local:
            system, path = self._remote(key)
            return bytes(system.cat_file(path))
        with open(f"{self.where}/{key}", "rb") as stream:
            return stream.read()

    def exists(self, key: str = "") -> bool:
        """Whether there is an object or a folder."""
        if not self.is_local:
            system, path = self._remote(key)
            return bool(system.exists(path))
        return Path(self.where, key).exists()

    def names(self, key: str = "") -> list[str]:
        """Last parts of the names of what lies directly below, sorted; none where nothing is."""
        if self.is_local:
            folder = Path(self.where, key)
            return sorted(os.listdir(folder)) if folder.is_dir() else []
        system, path = self._remote(key)
        system.invalidate_cache()
        try:
            found = system.ls(path, detail=False)
        except FileNotFoundError:
            return []
        return sorted(entry.rstrip("/").rpartition("/")[2] for entry in found)

    def objects(self) -> list[str]:
        """Keys of all objects of a URL, sorted."""
        system, path = self._remote("")
        system.invalidate_cache()
        root = path.rstrip("/") + "/"
        return sorted(
            key[key.index(root.lstrip("/")) + len(root.lstrip("/")) :] for key in system.find(path)
        )

    def remove(self, key: str) -> None:
        """Remove an object or a folder with all it holds; nothing where there is none."""
        if self.is_local:
            target = Path(self.where, key)
            if target.is_dir():
                shutil.rmtree(target)
            else:
                target.unlink(missing_ok=True)
            return
        system, path = self._remote(key)
        if system.exists(path):
            system.rm(path, recursive=True)


def _write(path: str, content: bytes) -> None:
    with open(path, "wb") as stream:
        stream.write(content)
