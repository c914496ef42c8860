"""One simulated vessel: a state, what the brewer has set, and a step from one moment to the next."""

from dataclasses import dataclass, field, replace

from ullage.adapters.simulation.fridge import WATT_HOURS_TO_KJ, Body
from ullage.adapters.simulation.gas import HeadSpace, Valve, released_g
from ullage.adapters.simulation.instruments import Instruments
from ullage.adapters.simulation.kinetics import CO2_G_PER_MOL, Wort, ferment


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselPlan:
    """What a vessel is and what is in it.

    Parameters
    ----------
    name
        The vessel's name.
    total_l, beer_l
        The vessel's volume and the beer's.
    wort_share
        Fermentable sugar as a share of the published wort (54.6 g/L of CO2); 0.705 is a wort of 12 °P.
    lag_h
        Lag at 20 °C.
    vigour
        Yeast pitched as a share of the published amount.
    pitched_c
        Temperature at pitching.
    belt_c
        What the heat belt holds; none if it is off.
    valve
        The spunding valve.
    relief_bar
        Gauge pressure that the relief valve lets nothing above.
    leak_mol_per_h_bar
        What a leak lets out for each bar.
    air_probe
        Whether a second thermometer hangs in the air around it.
    """

    name: str
    total_l: float = 23.0
    beer_l: float = 19.0
    wort_share: float = 0.705
    lag_h: float = 10.0
    vigour: float = 1.0
    pitched_c: float = 20.0
    belt_c: float | None = None
    valve: Valve = field(default_factory=lambda: Valve(opening_bar=1.5))
    relief_bar: float = 2.8
    leak_mol_per_h_bar: float = 0.0
    air_probe: bool = False
    body: Body = field(default_factory=Body)
    instruments: Instruments = field(default_factory=Instruments)


@dataclass(frozen=True, slots=True, kw_only=True)
class Controls:
    """What the brewer has set."""

    pitched: bool = False
    shut: bool = False
    """The spunding valve is wound shut."""
    set_bar: float | None = None
    """A set point other than the valve's own."""
    belt_c: float | None = None
    regulator_bar: float | None = None
    """Gas from the bottle holds at least this pressure; none while no bottle is connected."""
    drawn_l_per_h: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselState:
    """A vessel at one moment. Masses of CO2 in grams since it was filled; they balance."""

    wort: Wort
    beer_l: float
    beer_c: float
    probe_c: float
    space: HeadSpace
    dissolved_g: float = 0.0
    made_g: float = 0.0
    vented_g: float = 0.0
    added_g: float = 0.0
    drawn_g: float = 0.0
    lifted: bool = False
    belt_on: bool = False
    released_kj: float = 0.0
    """Heat made by the yeast so far."""
    belt_kj: float = 0.0
    lost_kj: float = 0.0
    """Heat given to the air so far."""

    @property
    def pressure_bar(self) -> float:
        """Gauge pressure."""
        return self.space.pressure_bar(self.beer_c)

    @property
    def co2_to_come_g_per_l(self) -> float:
        """CO2 that the sugars left will make."""
        return self.wort.co2_to_come_g_per_l()


class SimulatedVessel:
    """Steps a vessel through time. It keeps no state: that is passed in and returned.

    Parameters
    ----------
    plan
        What the vessel is.
    """

    def __init__(self, plan: VesselPlan) -> None:
        self.plan = plan

    def filled(self) -> VesselState:
        """Return the vessel as it is closed: wort, air above it, no CO2."""
        plan = self.plan
        return VesselState(
            wort=Wort.pitched(plan.wort_share, plan.lag_h, plan.vigour),
            beer_l=plan.beer_l,
            beer_c=plan.pitched_c,
            probe_c=plan.pitched_c,
            space=HeadSpace.of_air(plan.total_l - plan.beer_l, plan.pitched_c),
        )

    def step(self, state: VesselState, controls: Controls, air_c: float, hours: float) -> VesselState:
        """Return the vessel a while later.

        Parameters
        ----------
        state
            Where it starts.
        controls
            What the brewer has set.
        air_c
            Temperature of the air around it.
        hours
            How long; at most a few minutes, since parts are solved one after the other.
        """
        warmed = self._ferment_and_warm(state, controls, air_c, hours)
        return self._move_gas(self._draw(warmed, controls, hours), controls, hours)

    def _ferment_and_warm(
        self, state: VesselState, controls: Controls, air_c: float, hours: float
    ) -> VesselState:
        body = self.plan.body
        wort, made_g, heat_kj = state.wort, 0.0, 0.0
        if controls.pitched:
            done = ferment(wort, state.beer_c, hours)
            wort = done.wort
            made_g, heat_kj = done.co2_g_per_l * state.beer_l, done.heat_kj_per_l * state.beer_l
        belt_on = body.belt_on(state.belt_on, state.beer_c, controls.belt_c)
        belt_kj = body.belt_w * hours * WATT_HOURS_TO_KJ if belt_on else 0.0
        lost_kj = body.lost_kj(state.beer_c, air_c, hours)
        beer_c = state.beer_c + (heat_kj + belt_kj - lost_kj) / body.capacity_kj_per_k(state.beer_l)
        follows = min(hours / self.plan.instruments.probe_time_h, 1.0)
        return replace(
            state,
            wort=wort,
            beer_c=beer_c,
            probe_c=state.probe_c + (beer_c - state.probe_c) * follows,
            dissolved_g=state.dissolved_g + made_g,
            made_g=state.made_g + made_g,
            belt_on=belt_on,
            released_kj=state.released_kj + heat_kj,
            belt_kj=state.belt_kj + belt_kj,
            lost_kj=state.lost_kj + lost_kj,
        )

    def _move_gas(self, state: VesselState, controls: Controls, hours: float) -> VesselState:
        released = released_g(state.dissolved_g, state.beer_l, state.space, state.beer_c, hours)
        gained_mol = released / CO2_G_PER_MOL
        gained = state.space.with_co2(gained_mol)
        space, lifted = gained, False
        if not controls.shut:
            valve = self.plan.valve
            if controls.set_bar is not None:
                valve = replace(valve, opening_bar=controls.set_bar)
            passed_mol, lifted = valve.passed_mol(state.lifted, space, gained_mol, state.beer_c, hours)
            space = space.vented(passed_mol)
        if self.plan.leak_mol_per_h_bar > 0.0:
            over_bar = max(space.pressure_bar(state.beer_c), 0.0)
            space = space.vented(self.plan.leak_mol_per_h_bar * over_bar * hours)
        space = space.vented_to(self.plan.relief_bar, state.beer_c)
        vented_g = (gained.co2_mol - space.co2_mol) * CO2_G_PER_MOL
        added_mol = 0.0
        if controls.regulator_bar is not None:
            short_bar = controls.regulator_bar - space.pressure_bar(state.beer_c)
            added_mol = max(short_bar, 0.0) / space.bar_per_mol(state.beer_c)
        return replace(
            state,
            space=space.with_co2(added_mol),
            dissolved_g=state.dissolved_g - released,
            vented_g=state.vented_g + vented_g,
            added_g=state.added_g + added_mol * CO2_G_PER_MOL,
            lifted=lifted,
        )

    def _draw(self, state: VesselState, controls: Controls, hours: float) -> VesselState:
        """Take beer out; gas fills the room that it leaves."""
        drawn_l = min(controls.drawn_l_per_h * hours, state.beer_l - 0.05 * self.plan.beer_l)
        if drawn_l <= 0.0:
            return state
        drawn_g = state.dissolved_g * drawn_l / state.beer_l
        return replace(
            state,
            beer_l=state.beer_l - drawn_l,
            space=replace(state.space, volume_l=state.space.volume_l + drawn_l),
            dissolved_g=state.dissolved_g - drawn_g,
            drawn_g=state.drawn_g + drawn_g,
        )

    def vented_by_hand(self, state: VesselState) -> VesselState:
        """Return the vessel after the brewer let the pressure off."""
        space = state.space.vented_to(0.0, state.beer_c)
        lost_g = (state.space.co2_mol - space.co2_mol) * CO2_G_PER_MOL
        return replace(state, space=space, vented_g=state.vented_g + lost_g, lifted=False)
