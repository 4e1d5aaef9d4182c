"""What the second fleet's engine is made of, and the constants its parts share. Every number is invented."""

from typing import NamedTuple

STEP_S = 0.25e-3
GAS_CONSTANT = 287.05
WORK_PER_AIR = 1.08e6  # indicated work of stoichiometric combustion per mass of air [J/kg]
AIR_PER_FUEL = 14.4  # what the control unit takes for its fuel (E5)


class Engine(NamedTuple):
    """One engine on one capture: geometry, control, faults, foot; all floats, SI unless named."""

    displacement: float  # [m^3]
    cylinders: float
    banks: float
    inertia: float  # [kg m^2]
    fill: float  # volumetric efficiency at its best speed
    fill_best_rpm: float
    fill_fall: float
    friction_0: float  # mean effective pressure [Pa] of a polynomial in rpm / 1000
    friction_1: float
    friction_2: float
    plenum: float  # [m^3]
    bore_area: float  # effective area of the open plate [m^2]
    column_hz: float  # intake column: natural frequency and damping
    column_damping: float
    intake_lag_s: float  # 0: the column; else the flow past the sensor follows with this lag alone
    box_s: float  # of a large air box between sensor and plate; 0: none
    boost_full: float  # gauge boost over ambient at full free flow [1]
    full_flow: float  # nominal full free flow [kg/s]
    idle_flow: float  # nominal idle flow [kg/s]
    idle_rpm: float
    limit_rpm: float
    limiter: float  # of `structures.LIMITERS`
    ambient_pa: float
    intake_k: float
    charge_k: float
    # fuel
    film_share: float
    film_s: float
    film_slow: float  # share of the film in a second, slow one
    film_slow_s: float
    film_by_load: float  # how much more clings at full than at idle load [1]
    film_boils: float  # by how much sooner it goes in a vacuum [1]
    film_leaves: float  # share of it that load does not wet any more [1]
    film_shears: float  # by how much sooner it goes at the limit of speed and full load [1]
    on_valve: float  # share of a cylinder's fuel that waits for its next stroke [1]
    undone_share: float  # film the control unit reckons with and makes up for; 0: it does not
    undone_s: float
    fuelling: float  # of `structures.FUELLINGS`
    tip_in: float  # added while the plate opens, by a table [1]
    rich_target: float  # lambda asked for at full load
    rich_delay_s: float
    enrichment: float  # of `structures.ENRICHMENTS`
    trim_idle: float  # learned corrections, as factors minus 1
    trim_load: float
    carry: float  # share of the load trim used at full load
    fuel_gain: float  # injectors of this van
    fuel_stoich: float  # of the fuel in the tank
    cut_delay_s: float
    cut_staged_s: float  # every other cylinder is cut so much later
    cut_above_rpm: float
    resume_rpm: float
    loop_gain: float  # closed loop of lambda [1/s]
    loop_holds: float  # below lambda 1, what it holds [1]
    loop_holds_rich: float  # 1: it holds what is asked for at full load
    loop_jump: float  # its proportional part [1]
    loop_late_s: float  # after which it believes that the side has changed
    loop_swing: float  # of the mixture about what is asked for [1]
    loop_at_full: float  # 1: closed at full load too
    loop_waits_s: float  # after the foot has lifted
    loop_at_idle: float  # 1: closed there
    narrowband: float
    # exhaust and sensor
    pipe: float  # gas volume from port to sensor [m^3]
    mixing: float  # [m^3]
    exhaust: float  # of `structures.EXHAUSTS`
    second_lag: float  # share of the sensor's lag in a second one behind it
    tau_rich_1: float
    tau_lean_1: float
    tau_rich_2: float
    tau_lean_2: float
    # faults
    reads_idle: float  # relative error of the air-mass reading at idle and full flow
    reads_full: float
    intake_drop: float  # share of pressure lost at full flow
    exhaust_drop: float
    leak_area: float  # unmetered, into the plenum [m^2]
    boost_leak: float
    recirculation: float  # height of the pulse [kg/s]
    flutter: float
    delivery: float  # share of fuel lost after 1 s of full load
    weak_first: float  # fuel share lost by the first cylinder, by the others
    weak_other: float
    drip: float  # leaking fuel [kg/s]
    bubbles_hz: float
    bubble_depth: float
    misfire: float
    lambda_shift: float  # what the controller sees added to lambda
    false_air: float  # relative lean error at idle of a leaking exhaust
    shift_bank: float
    # foot
    opening_s: float
    release_s: float
    foot_s: float
    plate_max: float
    plate_lag_s: float
    torque_lag_s: float  # of the torque asked for behind the pedal; 0: the plate follows the pedal
    rev_noise: float
    lift_s: float = 0.09  # from the floor up
    pause: float = 1.0  # the foot stops here on its way down, for so long [s]
    pause_s: float = 0.0
    lift_pause: float = 0.0  # and here on its way up
    lift_pause_s: float = 0.0
    again: float = 0.0  # after the lift it comes back so far, so long after and for so long [s]
    again_after_s: float = 0.3
    again_s: float = 0.2
    snaps: float = 1.0  # snaps in a row, and from one opening to the next [s]
    every_s: float = 6.0
