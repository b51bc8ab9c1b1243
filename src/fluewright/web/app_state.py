"""The shop as the pages see it: its ledger, a folder beside it, who is paired, what is on the benches."""

from dataclasses import dataclass, field
from pathlib import Path

from fluewright.instrument.model import Model
from fluewright.shop.models import read_model_of
from fluewright.web.bench_room import BenchRoom
from fluewright.web.live import Hall
from fluewright.web.pairing import Pairing
from fluewright.web.voicing_room import VoicingRoom

__all__ = ["AppState"]


@dataclass
class AppState:
    """What the pages need: the ledger, a folder beside it, who is paired, what is on the benches.

    Attributes
    ----------
    ledger, folder : Path
    hosts : set of str
        Names we may be asked for, with the port.
    scheme : str
    address : str
        Where other devices reach us; empty without --lan.
    """

    ledger: Path
    folder: Path
    hosts: set[str]
    scheme: str = "http"
    address: str = ""
    pairing: Pairing = field(default_factory=Pairing)
    hall: Hall = field(default_factory=Hall)
    models: dict[str, Model] = field(default_factory=dict)
    heads: dict[str, VoicingRoom] = field(default_factory=dict)

    def model(self, name: str, *, fresh: bool = False) -> Model:
        """Return a model; from memory while its page is open, so that a drag does not wait for the disk.

        Raises
        ------
        InputError
            There is none of that name.
        """
        if fresh or name not in self.models:
            self.models[name] = read_model_of(self.ledger, name)
        return self.models[name]

    def room(self, serial: str) -> BenchRoom:
        """Return the bench of a piece.

        Raises
        ------
        InputError
            The ledger has no such piece.
        """
        if serial not in self.hall.rooms:
            self.hall.rooms[serial] = BenchRoom(self.ledger, serial, self.folder)
        return self.hall.rooms[serial]

    def head(self, serial: str) -> VoicingRoom:
        """Return the voicing bench of a piece.

        Raises
        ------
        InputError
            The ledger has no such piece.
        """
        if serial not in self.heads:
            self.heads[serial] = VoicingRoom(self.ledger, serial, self.folder)
        return self.heads[serial]

    def begin_anew(self) -> None:
        """Forget what was read of the ledger: another one stands in its place."""
        self.models.clear()
        self.heads.clear()
        self.hall.rooms.clear()

    def leave_bench(self, serial: str) -> None:
        """Let the bench of a piece read the ledger anew: its sizes changed elsewhere."""
        if serial in self.hall.rooms:
            self.hall.rooms[serial].forget()
