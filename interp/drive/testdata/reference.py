#!/usr/bin/env python3
"""Makes reference.csv: paths of a servo, a servo under gravity and a motor, by a
general solver for ordinary differential equations.

    python3 reference.py > reference.csv

scipy.integrate.solve_ivp (DOP853, rtol 1e-11, atol 1e-12) integrates the motor
equation between the moments at which its right-hand side jumps: a frame of the
board, the end of the bridge's on time, a change of sign of the speed, which the
solver's own events find. Nothing is shared
with the Go code but the equations of the package comment.
"""
import math
import sys

import scipy
from scipy.integrate import solve_ivp

DEG = math.pi / 180
G = 9.80665


class Axis:
    def __init__(self, volt, speed, stall_torque, stall, no_load, idle, tau, load_inertia=0.0, torque=lambda x: 0.0, brake=True):
        running = no_load - idle
        self.volt = volt
        self.R = volt / (stall - idle)
        self.Ke = (volt - running * self.R) / speed
        self.Kt = stall_torque / (stall - no_load)
        eta = max(0.5, min(1.0, self.Kt * DEG / self.Ke))
        self.Kb = self.Kt / eta**2
        self.slide = self.Kt * running
        self.stick = 1.25 * self.slide
        self.own = stall_torque * tau / speed
        self.J = self.own + load_inertia * DEG
        self.torque = torque
        self.brake = brake
        self.ahead = 0.5 * self.own * self.R / (self.Ke * self.Kt)
        self.least = running / (stall - idle)
        self.x = self.v = self.t = 0.0

    def current(self, u, v):
        if u == 0 and not self.brake:
            return 0.0
        return (u * self.volt - self.Ke * v) / self.R

    def start(self, u):
        i = self.current(u, 0.0)
        push, hold = (self.Kt, self.Kb) if i >= 0 else (self.Kb, self.Kt)
        if push * i - self.torque(self.x) > self.stick:
            return 1
        if self.torque(self.x) - hold * i > self.stick:
            return -1
        return 0

    def run(self, until, u):
        """Goes on to a time at a share u of the voltage (0: bridge off)."""
        while until - self.t > 1e-13:
            way = (self.v > 0) - (self.v < 0) or self.start(u)
            if way == 0:
                self.t = until
                return

            def rhs(t, y):
                i = self.current(u, y[1])
                k = self.Kt if i * way >= 0 else self.Kb
                return [y[1], (k * i - self.torque(y[0]) - self.slide * way) / self.J]

            def stands(t, y):
                return y[1]

            stands.terminal, stands.direction = True, -way
            s = solve_ivp(rhs, (self.t, until), [self.x, self.v], method="DOP853", rtol=1e-11, atol=1e-12, events=stands)
            self.t, self.x, self.v = float(s.t[-1]), float(s.y[0, -1]), float(s.y[1, -1])
            if s.status == 1:
                self.v = 0.0


def show(name, axis):
    print(f"{name},{axis.t:.4f},{axis.x:.9f},{axis.v:.7f}")


def servo(name, axis, command, start, length, every=0.01, frame=0.02, unit=0.1, band=5.0):
    """Once a frame the error sets how long the bridge is on."""
    axis.x = start
    off, u = math.inf, 0
    n = round(frame / every)
    # 0.5 s in the first pose come before
    for k in range(-round(0.5 / frame), round(length / frame)):
        axis.t = k * frame
        gap = command(max(0.0, k * frame)) - axis.x
        e = gap - axis.ahead * axis.v
        size = abs(e)
        u, share = 0, 0.0
        if size > band * unit and e * gap >= 0:
            share = min(1.0, axis.least + (1 - axis.least) * (size / unit - band) / 70.0)
            u = 1 if e > 0 else -1
        off = axis.t + share * frame
        for j in range(n):
            if k >= 0:
                show(name, axis)
            end = k * frame + (j + 1) * every
            if u and off < end:
                if off > axis.t:
                    axis.run(off, u)
                u = 0
            axis.run(end, u)
            axis.t = end


def motor(name, axis, drives, length, every=0.01):
    k = 0
    while k * every < length:
        axis.t = k * every
        show(name, axis)
        axis.run((k + 1) * every, drives(axis.t))
        k += 1


def sheet(**more):
    return Axis(6.0, 500.0, 0.4, 1.0, 0.1, 0.010, 0.040, **more)


def main():
    print(f"# made by reference.py with scipy {scipy.__version__}, solve_ivp DOP853, rtol 1e-11")
    print("# case, s, deg, deg/s")
    servo("servo", sheet(), lambda t: 0.0 if t < 0.1 - 1e-9 else 60.0 if t < 0.6 - 1e-9 else 52.0, 0.0, 1.0)
    servo("inertia", sheet(load_inertia=0.002), lambda t: 0.0 if t < 0.1 - 1e-9 else 30.0, 0.0, 1.0)
    weight = 0.350 * G * 0.050
    servo("gravity", sheet(load_inertia=0.350 * 0.050**2, torque=lambda x: weight * math.cos(x * DEG)),
          lambda t: -30.0 if t < 0.1 - 1e-9 else 60.0, -30.0, 0.8)
    for name, brake in (("coast", False), ("brake", True)):
        a = Axis(6.0, 600.0, 0.4, 1.1, 0.1, 0.0, 0.050, load_inertia=0.001, torque=lambda x: 0.08, brake=brake)
        steps = lambda t: (0 if t < 0.1 - 1e-9 else round(0.6 * 32767) / 32767 if t < 0.4 - 1e-9 else 0 if t < 0.7 - 1e-9 else -1)
        motor(name, a, steps, 1.0)


if __name__ == "__main__":
    sys.exit(main())
