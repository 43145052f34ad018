"""The response in closed form against the matrix exponential, built here from the equations of motion."""

from __future__ import annotations

import numpy as np
import scipy.linalg

from explorer.model.car.car import Body
from explorer.model.corner.response import STEP_TIME, AxleForces, RollMode, response_of


def test_bite_and_lag_are_those_of_the_state_matrices() -> None:
    """Catches a wrong coefficient of the characteristic polynomial, a short series and a square too few: from slow
    roll to some five stiff time constants within the step. 1e-12 absolute on the bite, 1e-10 relative on the lag."""
    rng = np.random.default_rng(8)
    for _ in range(300):
        mass, base, share = rng.uniform(1.3, 2.0), rng.uniform(0.25, 0.32), rng.uniform(0.35, 0.6)
        sprung, arm = 0.8 * mass, rng.uniform(0.01, 0.05)
        about_axis = rng.uniform(0.002, 0.006) + sprung * arm**2
        mode = RollMode(rng.uniform(3.0, 40.0), np.exp(rng.uniform(-4.0, 0.5)), about_axis)
        speed, stiff = rng.uniform(1.0, 12.0), rng.uniform(20.0, 90.0, 2)
        thrust, yaw = rng.uniform(-3.0, 3.0, 2), rng.uniform(0.01, 0.03)
        body = Body(mass, base, share, 0.05, sprung, 0.05, share, arm, yaw, 0.004, 0.0)
        a, b, h = base * (1.0 - share), base * share, sprung * arm
        inertia = np.array([[mass, 0.0, -h], [0.0, yaw, 0.0], [-h, 0.0, mode.inertia]])
        front, rear = stiff
        static = np.array(
            [
                [(front + rear) / speed, mass * speed + (a * front - b * rear) / speed, -thrust.sum()],
                [(a * front - b * rear) / speed, (a * a * front + b * b * rear) / speed, b * thrust[1] - a * thrust[0]],
                [0.0, -h * speed, mode.stiffness],
            ]
        )
        state = np.zeros((4, 4))
        state[[0, 1, 3], :3] = -np.linalg.solve(inertia, static)
        state[[0, 1, 3], 3] = -np.linalg.solve(inertia, [0.0, 0.0, mode.damping])
        state[2, 3] = 1.0
        found = response_of(body, mode, speed, AxleForces(front, thrust[0]), AxleForces(rear, thrust[1]))
        steady = np.linalg.solve(static, [front, a * front, 0.0])
        if np.linalg.eigvals(state).real.max() >= 0.0 or steady[2] <= 0.0:
            assert found.unstable
            continue
        left = scipy.linalg.expm(state * STEP_TIME) @ np.append(-steady, 0.0)
        assert abs(found.bite - (1.0 + left[2] / steady[2])) < 1e-12
        drag = [-mass * steady[0], -yaw * steady[1], h * steady[0] - mode.damping * steady[2]]
        lag = -np.linalg.solve(static, drag)[2] / steady[2]
        assert abs(found.lag - min(lag, 1.0)) < 1e-10 * max(1.0, abs(lag))
