"""What has several kinds, such as probes and recognisers: our own by a table, and those of other packages.

Another package adds a kind by an entry point, in its pyproject.toml:

    [project.entry-points."batch_recorder.probes"]
    parrot = "parrot_probe:ParrotSettings"
"""

import importlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from recorder.driver import DriverUnavailable


@dataclass(frozen=True, slots=True)
class Kinds:
    """The kinds of one thing. Nothing is imported before it is asked for."""

    what: str
    """What they are kinds of, for errors: "recogniser"."""
    group: str
    """Entry points of this group belong to them."""
    own: Mapping[str, str]
    """Name, as the configuration writes it -> "module:Class"."""
    methods: tuple[str, ...]
    """What a class must have to be one of them."""

    def __iter__(self) -> Iterator[str]:
        """The names: ours first, then those of other packages."""
        return iter(dict.fromkeys((*self.own, *sorted(point.name for point in self._added()))))

    def __contains__(self, name: object) -> bool:
        return name in self.own or any(point.name == name for point in self._added())

    def listed(self) -> str:
        """The names, for an error."""
        return ", ".join(self)

    def load(self, name: str) -> Any:
        """The class of this name.

        Raises `DriverUnavailable` that names the ones there are, or the entry point and what is wrong with it.
        """
        added = [point for point in self._added() if point.name == name]
        if name not in self.own and not added:
            raise DriverUnavailable(f"no {self.what} is called {name!r}; there are {self.listed()}")
        owners = (["batch-recorder"] if name in self.own else []) + [_where(point) for point in added]
        if len(owners) > 1:
            raise DriverUnavailable(
                f"the {self.what} {name!r} is there more than once: {'; '.join(owners)}; uninstall all but one of them"
            )
        if name in self.own:
            module, _, attribute = self.own[name].partition(":")
            return getattr(importlib.import_module(module), attribute)
        return self._checked(added[0])

    def _added(self) -> tuple[EntryPoint, ...]:
        return tuple(entry_points(group=self.group))

    def _checked(self, point: EntryPoint) -> Any:
        """What the entry point names, once it is known to be of use. Whatever its package raises is its fault."""
        try:
            found = point.load()
        except Exception as error:
            raise self._broken(point, f"{type(error).__name__}: {error}") from error
        if lacks := [name for name in self.methods if not callable(getattr(found, name, None))]:
            raise self._broken(point, f"it has no {', '.join(lacks)}")
        return found

    def _broken(self, point: EntryPoint, why: str) -> DriverUnavailable:
        return DriverUnavailable(
            f"the {self.what} {point.name!r} can't be used: {_where(point)}: {why}; repair or uninstall that package"
        )


def _where(point: EntryPoint) -> str:
    package = f"package {point.dist.name}" if point.dist else "a package"
    return f"{package}, entry point {point.name} = {point.value}"
