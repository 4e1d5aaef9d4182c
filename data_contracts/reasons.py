"""Reasons for a refused, downgraded or unused item: a code, a sentence, and what to do.

Codes go into tables and never change their meaning; sentences may be reworded.
"""

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Reason:
    """Why something was refused, downgraded or not read.

    Attributes
    ----------
    code : str
        The word in tables.
    sentence : str
        What is wrong, in plain words.
    remedy : str
        What to do about it; empty where nothing can be done.
    """

    code: str
    sentence: str
    remedy: str = ""


def _page(*reasons: Reason) -> dict[str, Reason]:
    return {reason.code: reason for reason in reasons}


# Why a capture is graded below good. The first group sends it back (`repeat`), the second keeps it (`usable`). A recording of
# idle alone is no snap either, but none that failed: it has a reason of its own, is shown under that, and is tracked.
REPEAT_REASONS = _page(
    Reason(
        "no_snap", "no throttle snap was found", "record idle, then floor the pedal for about a second and release it"
    ),
    Reason("cold", "the engine was not warm", "warm the engine fully and record again"),
    Reason(
        "not_closed_loop",
        "the engine was not in closed loop",
        "wait until the van reports closed loop and record again",
    ),
    Reason(
        "throttle_not_full",
        "the throttle did not open fully, or the main peak is too low for a fully open one",
        "push the pedal to the floor in one move and hold it about a second, no longer than to the limiter; if it was on the floor, the van itself is weak",
    ),
    Reason(
        "early_trigger",
        "the recording was triggered early, away from the opening",
        "set the trigger again and keep ignition leads away from the probe",
    ),
    Reason(
        "too_short_before",
        "too little idle was recorded before the opening",
        "record at least half a second of steady idle before the snap",
    ),
    Reason(
        "not_at_idle",
        "the engine was not at idle before the opening",
        "let the engine settle at idle for three seconds, then snap",
    ),
    Reason(
        "hold_too_short",
        "the pedal was released almost at once, before the trace shows more than the manifold filling",
        "hold the pedal to the floor about a second, no longer than to the limiter",
    ),
    Reason(
        "ends_early", "the recording ends before the main peak", "record longer: 3 s before and 4 s after the release"
    ),
    Reason(
        "clipped",
        "the air-mass signal runs into the end of its range",
        "set the recorder's range to the sensor's and record again",
    ),
    Reason("too_slow", "the sampling rate is too low for a snap", "record at 1,000 samples a second or more"),
    Reason("sensor_inactive", "the lambda sensor is not active", "warm the sensor, check its heater, and record again"),
    Reason("noise", "noise hides the trace", "check probe, ground and leads, and record again"),
    Reason("gap", "samples are missing where the snap is", "record again"),
    Reason(
        "outside_transfer",
        "the air-mass signal is outside the family's transfer table",
        "check the recorder's scale and offset and the family in the register",
    ),
    Reason(
        "polarity_contradicts",
        "the lambda trace contradicts the polarity in the register",
        "check the family's polarity and the probe before trusting any lambda figure",
    ),
    Reason(
        "channels_swapped",
        "the air-mass and the lambda channel look swapped",
        "check which lead is on which sensor, and the channels of the recorder's profile",
    ),
    Reason("flat", "the air-mass signal does not move", "check that the probe is connected and the engine runs"),
    Reason(
        "idle_only",
        "idle only: the throttle was not opened, and what idle tells is followed",
        "for all the rest, record a snap",
    ),
)
USABLE_REASONS = _page(
    Reason(
        "coolant_unmeasured", "coolant temperature was not recorded", "record it, so that a cold engine can be told"
    ),
    Reason(
        "closed_loop_unmeasured",
        "closed loop was not recorded",
        "note from the scan tool whether fuelling is in closed loop: yes or no",
    ),
    Reason("no_lambda", "there is no lambda trace", "record the lambda sensor too"),
    Reason(
        "no_airflow",
        "there is no air flow; the opening was told from the throttle or the engine speed",
        "record the air-mass sensor too, or manifold pressure with engine speed",
    ),
    Reason(
        "hold_short",
        "the pedal was released before the engine reached its highest speed",
        "hold the pedal to the floor about a second, no longer than to the limiter; this snap still serves for what needs no highest speed",
    ),
    Reason("short_before", "little idle was recorded before the opening", "record 3 s before the opening"),
    Reason("ends_before_settle", "the recording ends before fuel cut and settle", "record 4 s after the release"),
    Reason("needles", "interference needles were removed", "keep ignition leads away from the probe"),
    Reason(
        "low_rate",
        "the sampling rate is low, so some quantities are not read",
        "record at 1,000 samples a second or more",
    ),
    Reason("jitter", "the time base is uneven", ""),
    Reason("partly_clipped", "a few samples run into the end of the range", "set the recorder's range to the sensor's"),
    Reason("noisy", "the trace is noisier than usual", "check probe, ground and leads"),
    Reason("lambda_clipped", "the lambda signal reaches the end of its characteristic", ""),
    Reason("mains_hum", "mains hum rides on the trace", "check the ground and keep chargers away"),
    Reason("unsteady_idle", "the idle before the opening was not steady", "let the idle settle before the snap"),
)
GRADE_REASONS = REPEAT_REASONS | USABLE_REASONS

# Why a quantity of a capture is null; what to do is as the grades have it.
UNREAD_REASONS = _page(
    Reason("no_channel", "the channel was not recorded", "record the channel too"),
    Reason("not_for_this_family", "the family's sensors do not give this quantity"),
    Reason("no_snap", "no throttle snap was found", GRADE_REASONS["no_snap"].remedy),
    Reason("rate_too_low", "the sampling rate is too low for it", GRADE_REASONS["low_rate"].remedy),
    Reason("not_enough_before", "too little was recorded before the opening", GRADE_REASONS["short_before"].remedy),
    Reason("record_ends_early", "the record ends before it could be read", GRADE_REASONS["ends_before_settle"].remedy),
    Reason("hold_too_short", "the pedal was released too soon", GRADE_REASONS["hold_too_short"].remedy),
    Reason("not_steady", "the trace was not steady there"),
    Reason("not_at_idle", "the engine was not at idle there", GRADE_REASONS["not_at_idle"].remedy),
    Reason("not_found", "the landmark could not be told from the trace"),
    Reason("noise", "noise hides it", GRADE_REASONS["noisy"].remedy),
    Reason("clipped", "the signal is at the end of its range there", GRADE_REASONS["partly_clipped"].remedy),
    Reason("censored", "the signal is at the end of the characteristic there"),
    Reason("outside_transfer", "the signal is outside the family's table", GRADE_REASONS["outside_transfer"].remedy),
    Reason("sensor_inactive", "the lambda sensor was not active", GRADE_REASONS["sensor_inactive"].remedy),
    Reason(
        "polarity_contradicts",
        "the lambda trace contradicts the polarity in the register",
        GRADE_REASONS["polarity_contradicts"].remedy,
    ),
    Reason("no_fuel_cut", "no fuel cut was seen after the release"),
    Reason("fuel_cut_before", "the engine was still in fuel cut before the opening"),
    Reason("no_step", "lambda did not move enough to tell a response"),
    Reason(
        "unmeasured_condition",
        "a condition it needs was not measured",
        "write down coolant and intake air temperature, station pressure and trims",
    ),
    Reason("gap", "samples are missing there", GRADE_REASONS["gap"].remedy),
    Reason("family_incomplete", "the register does not give what it needs"),
    Reason("cold", "the engine was not warm", GRADE_REASONS["cold"].remedy),
    Reason(
        "not_with_this_sensor", "manifold pressure does not show it: only an air-mass sensor ahead of the throttle does"
    ),
)

# Why a single sample is not used (a mask is True = keep).
SAMPLE_REASONS = _page(
    Reason("missing", "no value was recorded"),
    Reason("out_of_range", "outside the physical range of the signal"),
    Reason("stuck", "the same value for longer than the signal can stand still"),
    Reason("clipped", "at the end of the recorder's or the sensor's range"),
    Reason("needle", "an ignition spike: up and back faster than the sensor can move"),
    Reason("gap", "interpolated across missing time"),
)

# Why a manifest row, waveform, register entry or delivery is in quarantine.
QUARANTINE_RULES = _page(
    Reason(
        "unknown_van",
        "the van is not in the register",
        "add it to register/vans.csv; the row is then taken in by the next run",
    ),
    Reason(
        "broken_family",
        "the van's family has a broken entry in the register",
        "mend register/families.toml; the row is then taken in by the next run",
    ),
    Reason(
        "unknown_recorder",
        "the recorder profile is not in the register",
        "add register/recorders/NAME.toml; the row is then taken in by the next run",
    ),
    Reason(
        "broken_recorder",
        "the recorder profile has a broken entry",
        "mend register/recorders/NAME.toml; the row is then taken in by the next run",
    ),
    Reason("missing_file", "the waveform file is not in the delivery", "deliver again with the file"),
    Reason("empty_file", "the waveform file is empty", "record again"),
    Reason("path_leaves_delivery", "the file named lies outside the delivery", "name a file inside the delivery"),
    Reason("unreadable_file", "the waveform file can't be read", "export it again"),
    Reason("bad_waveform", "the recording holds values that can't be measured", "export it again"),
    Reason(
        "bad_time", "the time column does not rise", "mend the clock or the profile's time format, and deliver again"
    ),
    Reason(
        "bad_value",
        "a value in manifest.csv is not of the kind or in the range it must be",
        "correct the value and deliver again",
    ),
    Reason("missing_column", "a required manifest column is missing", "add the column and deliver again"),
    Reason("missing_value", "a required manifest value is empty", "fill it in and deliver again"),
    Reason("missing_manifest", "the delivery has no manifest.csv", "add it and deliver again"),
    Reason("unreadable_manifest", "the manifest can't be read", "save it as UTF-8 CSV with commas and deliver again"),
    Reason("unsafe_archive", "the archive names a path outside itself", "make the archive again"),
    Reason("unreadable_archive", "the archive can't be read", "make the archive again"),
    Reason(
        "claimed_twice",
        "the same waveform is claimed for another van or another time",
        "find out which claim is right and deliver that one again",
    ),
    Reason(
        "unnamed_file",
        "no row of the manifest names the file",
        "add its row to manifest.csv, or discard the file",
    ),
    Reason(
        "wrong_clock",
        "the capture is dated after the day of the run, or years from its delivery or its van's service",
        "give the right time, or set the recorder's clock and deliver again",
    ),
    Reason(
        "other_lambda_sensor",
        "the lambda trace is of another kind of sensor than the family has",
        "mend the van's family, or the channel in the recorder profile; the row is then taken in by the next run",
    ),
    Reason(
        "no_engine_speed",
        "there is manifold pressure without engine speed",
        "record engine speed beside it and name its column in the recorder profile; the row is then taken in by the next run",
    ),
    Reason(
        "inverted_lambda",
        "the lambda trace runs the wrong way: rich and lean are exchanged",
        "look whether the probe's leads are exchanged and record again; where they are right, correct which way lambda runs for the family, or the van's family, in the register",
    ),
    Reason("too_large", "the file is larger than can be taken in", "split the recording"),
    Reason("bad_register", "an entry of the register is wrong", "mend the entry"),
)


def quoted(reason: str) -> list[str]:
    """The names that a stored reason of quarantine quotes, such as the van of an unknown one."""
    return re.findall(r"(?<!\w)'([^']+)'(?!\w)", reason)
