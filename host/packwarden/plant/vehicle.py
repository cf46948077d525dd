"""The car or boat that the pack moves, and whoever drives it.

Resistance to motion of both kinds is a power a*v + b*v^3 in W with v in m/s: rolling and grade give `a`, air
gives `b`; a displacement hull has `b` alone.  Over a step the power at the wheels, the resistance at the mean
speed and the kinetic energy balance exactly (midpoint rule, second order):

    wheel_w = m*(v1^2 - v0^2)/(2*dt) + a*vm + b*vm^3,    vm = (v0 + v1)/2

`wheel_power_w` reads this from speeds to power, `speed_after` from power to speed.

Power at the link is positive when it drives and negative when it comes back; power at the wheels is positive
forward, negative braking.  Grade is rise over run, uphill positive.  Nothing here rolls backwards: at rest
the driver's foot is on the brake.
"""

from __future__ import annotations

import math
from typing import Optional, Protocol, Tuple

from packwarden.plant.spec import BoatSpec, PackSpec, VehicleSpec

GRAVITY_MPS2 = 9.80665  # standard gravity
GRIP_MPS2 = 5.0  # tyres or propeller slip beyond this; estimate
CATCH_UP_S = 1.0  # a driver who is off the trace aims to be back on it in about this long; estimate
CATCH_UP_MPS2 = 1.2  # but presses no harder than this for it; estimate
PROPULSION = 0.5  # thrust power per link power of a launch (motor, shaft and propeller); estimate


class Load:
    """What has to be moved.  `mass_kg` is the inertia that has to be accelerated, rotating parts included."""

    brakes = True

    def __init__(self, mass_kg: float) -> None:
        self.mass_kg = mass_kg

    def resistance(self, grade: float) -> Tuple[float, float]:
        """(a, b) of the resistance power a*v + b*v^3, in N and N s2/m2."""
        raise NotImplementedError

    def link_power_w(self, wheel_w: float) -> float:
        """Power to ask for at the link, W, so that `wheel_w` acts at the wheels."""
        raise NotImplementedError

    def motor_power_w(self, link_w: float) -> float:
        """What the motor does at the wheels with `link_w` at the link, W."""
        raise NotImplementedError

    def wheel_power_w(self, v0: float, v1: float, dt: float, grade: float = 0.0) -> float:
        """Mean power at the wheels that takes the speed from v0 to v1 (m/s) in dt (s), W; negative brakes."""
        a, b = self.resistance(grade)
        mean = 0.5 * (v0 + v1)
        return 0.5 * self.mass_kg * (v1 * v1 - v0 * v0) / dt + (a + b * mean * mean) * mean

    def speed_after(self, v0: float, wheel_w: float, dt: float, grade: float = 0.0) -> float:
        """Speed after dt (s) with wheel_w at the wheels, m/s: wheel_power_w turned round, or 0.

        Newton's rule from above the root: the balance is convex in v1 >= 0, so it comes down to the root
        without overshoot.
        """
        a, b = self.resistance(grade)
        half = 0.5 * self.mass_kg
        fixed = half * v0 * v0 + dt * wheel_w
        mean = 0.5 * v0
        if dt * (a + b * mean * mean) * mean >= fixed:
            return 0.0  # the energy is gone before the step is
        v1 = v0 + math.sqrt(dt * max(wheel_w, 0.0) / half) + dt * max(-a, 0.0) / half
        for _ in range(40):
            mean = 0.5 * (v0 + v1)
            excess = half * v1 * v1 + dt * (a + b * mean * mean) * mean - fixed
            slope = self.mass_kg * v1 + 0.5 * dt * (a + 3.0 * b * mean * mean)
            move = excess / slope
            v1 -= move
            if move < 1e-12 * (1.0 + v1):
                break
        return v1 if v1 > 0.0 else 0.0


class Car(Load):
    """Road load of a car: inertia, rolling, grade, air."""

    def __init__(self, spec: VehicleSpec, gravity_mps2: float = GRAVITY_MPS2) -> None:
        super().__init__(spec.mass_kg * spec.rotating_factor)
        self.spec = spec
        self.weight_n = spec.mass_kg * gravity_mps2
        self.air = 0.5 * spec.air_kg_m3 * spec.cd * spec.frontal_m2

    def resistance(self, grade: float) -> Tuple[float, float]:
        """Rolling and grade, N; air, N s2/m2."""
        return self.weight_n * (self.spec.crr + grade) / math.sqrt(1.0 + grade * grade), self.air

    def link_power_w(self, wheel_w: float) -> float:
        """Accessories and losses on top; of braking, the part that the motor takes, less its losses."""
        spec = self.spec
        if wheel_w >= 0.0:
            return spec.accessory_w + wheel_w / spec.drivetrain_efficiency
        return spec.accessory_w + wheel_w * spec.regen_fraction * spec.drivetrain_efficiency

    def motor_power_w(self, link_w: float) -> float:
        """What is left past the accessories; they are fed by the pack, never by slowing the car."""
        left_w = link_w - self.spec.accessory_w
        if left_w > 0.0:
            return left_w * self.spec.drivetrain_efficiency
        return left_w / self.spec.drivetrain_efficiency if link_w < 0.0 else 0.0


class Boat(Load):
    """A displacement launch: steady link power rises with the cube of speed from one measured point.

    The cube law is common practice for a hull well below its hull speed; it is not a source for any one boat.
    """

    brakes = False

    def __init__(self, spec: BoatSpec) -> None:
        super().__init__(spec.mass_kg)
        self.drag = PROPULSION * spec.power_w / spec.speed_mps**3

    def resistance(self, grade: float) -> Tuple[float, float]:
        """Water alone; a lake has no grade."""
        return 0.0, self.drag

    def link_power_w(self, wheel_w: float) -> float:
        """Thrust power and the losses on the way; a propeller gives nothing back."""
        return wheel_w / PROPULSION if wheel_w > 0.0 else 0.0

    def motor_power_w(self, link_w: float) -> float:
        """Thrust power, W."""
        return link_w * PROPULSION if link_w > 0.0 else 0.0


def load_for(spec: PackSpec) -> Load:
    """The car or the boat of a pack file."""
    return Car(spec.vehicle) if spec.boat is None else Boat(spec.boat)


class Trace(Protocol):
    """A speed wanted at each moment; packwarden.cycles.Cycle is one."""

    @property
    def duration_s(self) -> float:
        """How long it goes on, s."""

    def speed_at(self, t_s: float) -> float:
        """Speed wanted at a time, m/s; beyond its ends the nearest end's."""


class Steady:
    """A trace of one speed, m/s."""

    duration_s = math.inf

    def __init__(self, speed_mps: float) -> None:
        self.speed_mps = speed_mps

    def speed_at(self, t_s: float) -> float:
        """The speed, m/s, at any time."""
        return self.speed_mps


STANDSTILL = Steady(0.0)


class Driver:
    """Drives a load along a trace, or with a fixed power, as far as the power that really comes allows.

    `speed_mps` and `distance_m` are the vehicle's own, never the trace's: with the drive cut off it coasts
    down and stops.  The driver brakes whether or not there is drive.  `pressing`: the driver's foot asks for
    drive.
    """

    def __init__(self, load: Load, power_max_w: float = math.inf) -> None:
        """`power_max_w`: what a limit of 1000 permille allows at the link, either way, W.

        Leave it infinite where a plant's own controller applies the limit.
        """
        self.load = load
        self.power_max_w = power_max_w
        self.speed_mps = 0.0
        self.distance_m = 0.0
        self.pressing = False
        self._trace: Trace = STANDSTILL
        self._repeat = 1
        self._power_w: Optional[float] = None
        self._grade = 0.0
        self._wheel_w = 0.0  # what the driver wants at the wheels in the step that runs now

    def follow(self, trace: Trace, grade: float = 0.0, repeat: int = 1) -> None:
        """From the next step on follow a trace, `repeat` times on end; `step` is told the trace's time."""
        self._trace, self._grade, self._repeat, self._power_w = trace, grade, repeat, None

    def ask(self, power_w: float, grade: float = 0.0) -> None:
        """From the next step on ask for one power at the link, W."""
        self._power_w, self._grade = power_w, grade

    def stop(self) -> None:
        """From the next step on brake to a standstill."""
        self.follow(STANDSTILL)

    def step(
        self, t_s: float, dt_s: float, delivered_w: float, enabled: bool = True, limit_permille: int = 1000
    ) -> float:
        """Move over the step of dt_s that ends at t_s; returns the link power asked for in the next, W.

        delivered_w: mean power that the link really gave (negative: took back) in the step that ended.
        Without `enabled` nothing is asked for.
        """
        self._move(dt_s, delivered_w)
        load, v0 = self.load, self.speed_mps
        if self._power_w is not None:
            link_w = self._power_w
            wheel_w = load.motor_power_w(link_w)
        else:
            v1 = self._aim(t_s, dt_s)
            wheel_w = load.wheel_power_w(v0, v1, dt_s, self._grade)
            if v1 == 0.0 and wheel_w > 0.0:
                wheel_w = 0.0  # the last step of a stop: rolling does it
            link_w = load.link_power_w(wheel_w)
        self.pressing = wheel_w > 0.0
        if not enabled:
            self._wheel_w = min(wheel_w, 0.0)
            return 0.0
        self._wheel_w = wheel_w
        if self.power_max_w != math.inf:
            top_w = self.power_max_w * limit_permille * 0.001
            link_w = max(-top_w, min(top_w, link_w))
        return link_w

    def _move(self, dt_s: float, delivered_w: float) -> None:
        load, v0 = self.load, self.speed_mps
        wheel_w = load.motor_power_w(delivered_w)
        if load.brakes and self._wheel_w < 0.0:
            wheel_w = min(wheel_w, self._wheel_w)  # the brakes make up what the motor doesn't take
        v1 = min(load.speed_after(v0, wheel_w, dt_s, self._grade), v0 + GRIP_MPS2 * dt_s)
        self.distance_m += 0.5 * (v0 + v1) * dt_s
        self.speed_mps = v1

    def _aim(self, t_s: float, dt_s: float) -> float:
        """Speed to have at the end of the next step: what the trace gains in it, and some way back to it."""
        now, ahead = self._wanted(t_s), self._wanted(t_s + dt_s)
        most = CATCH_UP_MPS2 * dt_s
        if now == 0.0 == ahead:
            return max(0.0, self.speed_mps - most)  # to stand still, press evenly to the end
        # Slower than the steps are, so that a coarse step can't make the driver swing.
        back = (now - self.speed_mps) * dt_s / max(CATCH_UP_S, 3.0 * dt_s)
        return max(0.0, self.speed_mps + ahead - now + max(-most, min(most, back)))

    def _wanted(self, t_s: float) -> float:
        trace = self._trace
        if self._repeat > 1 and t_s < trace.duration_s * self._repeat:
            t_s %= trace.duration_s
        return trace.speed_at(t_s)
