"""What every relay answers alike: it measures nothing, keeps no list of errors, and says where it stands."""

from collections.abc import Mapping

from amphora.drivers.roles import Position


class Relay:
    """A switch between cell, load and supply; how it is moved is its driver's."""

    role = "switch"
    position: Position

    def read_errors(self) -> list[str]:
        """A relay keeps no list of errors."""
        return []

    def read(self) -> Mapping[str, float]:
        """A relay measures nothing."""
        return {}

    def read_setup(self) -> Mapping[str, object]:
        """Return the position, and `on`: whether a contact is made (by its own word where it has one)."""
        made = self._made()
        return {"on": self.position != "open" if made is None else made, "position": self.position}

    def _made(self) -> bool | None:
        """Return whether any contact is made; None where nothing tells."""
        raise NotImplementedError
