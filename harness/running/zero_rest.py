"""The current zero of a run, taken of the readings of its first stretch with everything off."""

import dataclasses
from dataclasses import dataclass

from amphora.harness.bench.current_zero import Zeros, judge_zero, zeros_of
from amphora.harness.bench.opened import Rig
from amphora.harness.common.errors import Refused
from amphora.harness.control.events import CurrentZero
from amphora.harness.control.step_records import ZeroTaken
from amphora.harness.control.stepping import advance
from amphora.harness.plans.plan import Order
from amphora.harness.running.people import People
from amphora.harness.running.run_so_far import RunSoFar


@dataclass
class ZeroRest:
    """The readings so far; None where none is taken, or it has been taken."""

    so_far: RunSoFar
    rig: Rig
    people: People
    zeros: Zeros | None = None

    def begin(self) -> None:
        """Begin to take it."""
        self.zeros = Zeros(self.rig.measured_currents())

    def note(self, t_s: float, order: Order) -> None:
        """Take the last reading into it, where nothing can flow."""
        if self.zeros is not None and (order.kind == "off" or (order.kind == "connect" and order.mode == "open")):
            self.zeros.note(t_s, self.rig.answers)

    def take(self) -> None:
        """Make the current zero of the readings so far: recorded, said, and refused where it is none.

        Raises:
            Refused: an instrument shows so much that it is no zero any more.
        """
        taken, bench, so_far = self.zeros, self.rig.description, self.so_far
        if taken is None or not taken.enough:
            return
        self.zeros = None
        digits = {name: bench.current_of(name).resolution for name in taken.names}
        refused = []
        for zero in zeros_of(taken, digits):
            specification = bench.current_of(zero.instrument)
            verdict, text = judge_zero(zero, specification.offset, specification.assumed)
            role = self.rig.instruments[zero.instrument].role
            in_charge_A = 0.0 if role == "load" else round(zero.current_A, 9)  # a load that is off measures no charge
            t_s = round(so_far.now_s(), 4)
            mean_A, u_A = round(zero.current_A, 9), round(zero.standard_uncertainty_A, 9)
            shown = CurrentZero(zero.instrument, mean_A, u_A, zero.readings, round(zero.duration_s, 3), zero.left_out)
            so_far.event(dataclasses.replace(shown, in_charge_A=in_charge_A, verdict=verdict, text=text), t_s)
            so_far.state = advance(so_far.plan, so_far.state, ZeroTaken(t_s, in_charge_A)).state
            self.people.say(f"{'! ' if verdict == 'warn' else ''}current zero: {text}")
            if verdict == "refuse":
                refused.append(text)
        if refused:
            raise Refused(f"{so_far.plan.cell_id}: {refused[0]}; outputs are off; see {so_far.folder}")
