"""The words of the `flags` column: why a value is missing from a row, or what to keep in mind when using it."""

FLAGS: dict[str, str] = {
    # the camera profile
    "uncalibrated": (
        "No camera profile, so lag and row readout are not corrected and amplitudes are too small; or the profile's table "
        "does not reach this frequency or a multiple of it, and its nearest row was taken; run `bolotip calibrate`."
    ),
    "readout_assumed": (
        "The profile has no readout_s and 0 was taken: a camera that reads row by row then shows a phase ramp from "
        "top to bottom; measure it with `bolotip calibrate sweep`."
    ),
    "sd_assumed": (
        "The profile lacks standard deviations and 0 was taken: the deviations in this row are smaller than the truth."
    ),
    "delay_far_field": (
        "No frame_delay_s was used (none in a profile, or the load is taken from the frames): it was taken from the far field, "
        "whose first-harmonic phase must be 180 degrees."
    ),
    "delay_disagrees": (
        "The profile's frame_delay_s does not turn the far field's first-harmonic phase to 180 degrees: amplitudes along the "
        "load are too small; look for a lag of the load signal, another clock, another camera's profile, heat that flows far, or "
        "leave frame_delay_s out."
    ),
    "readout_disagrees": (
        "The far field's first-harmonic phase is not the same in the upper and the lower half of the image: the readout_s that "
        "was taken (the profile's, or 0) is not this camera's (it is negative where rows are read downwards), or heat flows far "
        "(a slow load in a material that conducts well)."
    ),
    "no_temperature": (
        "The camera gives no absolute temperature: the rig file's temperature_C was used for the stresses."
    ),
    # the load
    "no_load": "No cyclic load was found, so nothing was fitted; look at the load signal, its scale and its wiring.",
    "paused": (
        "The load stood still for part of the time since the last row; frames and cycles of that part were left out."
    ),
    "load_uneven": (
        "Some load cycles were too unlike their neighbours for a phase (an overload, a step, a disturbance); frames of "
        "that part were left out, its cycles were counted."
    ),
    "load_spikes": (
        "Single samples of the load signal stood far out of those beside them and were left out; look at its cable, "
        "shield and earth."
    ),
    "load_step": (
        "Peak, valley or range of the load changed for good, in a step or a ramp, so the estimate was begun anew."
    ),
    "settling": (
        "The lock-in has not yet run for its full memory since the start or the last change: more noise than later."
    ),
    "freq_changed": "The load frequency changed by more than the lock-in can follow, so the estimate was begun anew.",
    "phase_wanders": (
        "The phase of the frames against the load changed within the memory, so amplitudes and dK are too small: put both on "
        "one clock, and give [camera] times, or the true frame_rate_hz where no frame is lost."
    ),
    "h2": "The load itself has a second harmonic; its share was subtracted from the second-harmonic map.",
    "h2_disagrees": (
        "The second harmonic that the far field shows is not the one the load signal has; the far field's was "
        "subtracted where it is known well enough; look at the load signal's filter and at resonances of the grips."
    ),
    "load_from_frames": (
        "There is no load signal: phase, frequency and cycles come from the frames, the load range from the rig file."
    ),
    "load_from_edges": (
        "The load signal is one edge a cycle: phase, frequency and cycles are measured, the load range is the rig file's "
        "nominal_range_kN, the ratio is not known."
    ),
    "clipped": (
        "The load signal touches the end of its converter's range: load range and ratio are too small; change its "
        "scale."
    ),
    "overload": "A load peak stood out above the cycles around it; expect slower growth for a while.",
    "underload": "A load valley stood out below the cycles around it; growth may be faster for a while.",
    "waiting_load": "The load signal was missing for some of the time since the row before; the program tries to reach a live one.",
    "cycles_estimated": (
        "Cycles since the row before were taken from time and frequency, as no load signal was seen (a wire pulled out, "
        "a power cut) or one too noisy for a phase, or no level in the frames to take it from, and the load ran at the same "
        "frequency before and after."
    ),
    # harmonics and frame rate
    "collision_1f": (
        "At this frame rate the first harmonic falls on another component, so nothing was fitted; change the load "
        "frequency as `bolotip plan` proposes."
    ),
    "collision_2f": (
        "At this frame rate the second harmonic falls on another component, so there are no contact values; change "
        "the load frequency as `bolotip plan` proposes."
    ),
    "collision_3f": "At this frame rate the third harmonic falls on another component and was left out.",
    # the frames
    "waiting_frames": "The camera was silent for some of the time since the row before; the program goes on trying to reach it.",
    "lost": "Frames were lost since the last row (column `lost`); the others kept their true times.",
    "repeated": "The camera sent the same frame again since the last row (column `repeated`); copies were left out.",
    "misplaced": (
        "A frame showed another moment than its time says, as a copy does whose original was lost on the way; left out."
    ),
    "untimed": (
        "Frames came in heaps, or so late that their times could not be told, and were left out; look at what else the "
        "computer does, and at the camera's driver."
    ),
    "other_rate": (
        "The camera gives frames at another rate than the rig file says; they were timed by the rate they came at; correct "
        "frame_rate_hz."
    ),
    "frozen": "The image stood still for a while, as in a shutter event; those frames were left out.",
    "frames_gap": "Frames were missing for a while; the camera may have changed its offsets meanwhile, so they were found anew.",
    "motion": "The specimen moved in the image by more than can be neglected; stiffen the camera mount.",
    "bad_pixels": "Dead, restless or single saturated pixels in the region of the fit were left out.",
    "noisy": (
        "The noise is well above what the profile's netd_K leads one to expect, or an area of the view comes and goes slowly; "
        "look for draught, reflections, a warming camera."
    ),
    "saturated": "Pixels of the image reached the end of the camera's range and were left out.",
    # tip and closure
    "no_tip": "No crack tip was found in the first-harmonic map, or there was no new map to look in; the tip and all after it are empty.",
    "conduction": (
        "Heat flowed around the tip, as the phase of the map shows; its effect was taken out of the fit."
    ),
    "heat_far": (
        "At this load frequency heat flows over more than a fifth of the way from the tip to the next edge: what was taken out for it is "
        "known to some per cent of dK only, and the far field's phase turns, too (readout_disagrees, delay_disagrees); take a faster load."
    ),
    "heat_disagrees": (
        "Heat flows much farther, or much less far, than the rig file's thermal_diffusivity_mm2_per_s has it, and dK may be wrong by "
        "ten per cent and more; look whether material is that of the specimen."
    ),
    "tip_weak": "A tip was found, but the fit is poor or badly determined; use its values with care.",
    "near_edge": "The region of the fit reaches the edge of the image or the specimen: fewer pixels, more bias.",
    "irwin": (
        "Small-scale yielding is doubtful: the ligament is shorter than ASTM E647 allows (SENT: by analogy), "
        "(4/pi) (Kmax/yield strength)^2, or "
        "in M(T) 1.25 times what the largest load needs to yield it."
    ),
    "no_contact": "No contact stands out of the second-harmonic noise, or too little of the crack is seen; the contact values are empty.",
    "ahead_only": "The second harmonic shows a zone ahead of the tip and none behind it.",
    "contact_only": (
        "The second harmonic shows contact and no zone ahead of the tip that stands out of the noise, so the zone ahead, the "
        "phase between them and the reversal are empty."
    ),
    "contact_unsure": (
        "Something opposite in phase to the zone ahead lies under its tail: a short or faint contact, or a zone ahead that "
        "does not fade as a bell does; the contact values are empty."
    ),
    # growth while running
    "fast_growth": (
        "The crack grows so far within the lock-in's memory that much of dK is a correction for what that smears; its deviation "
        "says how sure it is; take a shorter memory_s."
    ),
    "no_rate": (
        "The crack has not yet grown by the least increment (0.25 mm or ten times its precision) since the start or the "
        "last overload, underload or step of the load, so there is no growth rate."
    ),
    "constant_rate": (
        "The column cycles_to_target takes the growth rate as it is, because the rates so far do not determine an "
        "exponent or the handbook has no dK up to the target: too many cycles where growth speeds up."
    ),
    "stop_request": (
        "The crack has reached [records] stop_at_crack_mm or stop_at_rate_mm_per_cycle: a stop request is sent on the "
        "serial link as soon as that works; it is no safety device, and nothing may depend on it."
    ),
    # time and storage
    "resumed": "First row after a restart; sequence number and cycle count go on from the last valid row.",
    "ended": (
        "Last row of a run that was ended on purpose: cycles from here to a start much later are not counted, as the "
        "machine is taken to have stood still."
    ),
    "clock_step": "The calendar clock was set since the last row: time_utc jumps, elapsed_s and cycles do not.",
    "card_full": (
        "The card has been full, read-only or missing since an earlier row: rows wait in memory, the first of them without this "
        "flag, and go out on the serial link where there is one."
    ),
}
