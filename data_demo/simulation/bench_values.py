"""Every constant of the simulated bench, gathered for truth.json.

Contents: constants.
"""

from dataclasses import asdict

from . import contact, mounting, plan, recorder, takes, woods
from .driver import BLOCK_MASS, DRIVER
from .streams import SEED


def constants() -> dict:
    """Seed, woods, spreads, driver, contact, leak, recorder; SI units unless a name says else."""
    return {
        "seed": SEED,
        "wood_populations": {name: asdict(wood) for name, wood in woods.WOODS.items()},
        "spread_between_boards": {
            "youngs_modulus_cv": woods.STIFFNESS_CV,
            "density_cv": woods.DENSITY_CV,
            "stiffness_density_correlation": woods.STIFFNESS_DENSITY_CORRELATION,
            "loss_factor_log_sd": woods.LOSS_CV,
            "loss_factor_log_sd_between_modes": woods.MODE_LOSS_CV,
            "size_sd_m": woods.SIZE_SD,
            "dense_spots": woods.DENSE_SPOTS,
            "dense_spot_sd_kg": woods.DENSE_SPOT_SD,
        },
        "spread_between_mounts": {
            "drive_position_sd_m": mounting.DRIVE_POSITION_SD,
            "support_position_sd_m": mounting.SUPPORT_SD,
            "microphone_gain_sd_db": mounting.GAIN_SD_DB,
            "mode_frequency_sd": mounting.MODE_SHIFT_SD,
        },
        "spread_between_takes": {
            "drive_level_sd_db": takes.DRIVE_JITTER_DB,
            "microphone_level_sd_db": takes.MICROPHONE_JITTER_DB,
            "tone_offset_sd_ppm": takes.CLOCK_SD_PPM,
            "tone_drift_sd_ppm": takes.DRIFT_SD_PPM,
        },
        "batches": {
            "microphone_gain_db": mounting.BATCH_GAIN_DB,
            "tone_offset_ppm": takes.CLOCK_PPM,
            "stiffness_per_kelvin": mounting.STIFFNESS_PER_KELVIN,
        },
        "bench": {
            "rail_nominal_m": woods.NOMINAL_SIZE,
            "drive_position_m": mounting.DRIVE_POSITION,
            "microphone_from_far_end_m": mounting.MICROPHONE_FROM_FAR_END,
            "supports_share_of_length": mounting.SUPPORTS,
            "support_stiffness": mounting.SUPPORT_STIFFNESS,
            "support_damping": mounting.SUPPORT_DAMPING,
            "bending_modes": woods.BENDING_MODES,
            "block_mass": BLOCK_MASS,
        },
        "driver": asdict(DRIVER),
        "changed_specimen": {
            "mass_kg": woods.CHANGED_MASS,
            "from_far_end_m": woods.CHANGED_FROM_FAR_END,
        },
        "loose_contact": {
            "position_share_of_length": mounting.CONTACT_POSITION,
            "stiffness": contact.CONTACT_STIFFNESS,
            "gap_m": contact.GAP,
        },
        "air": {
            "near_field_pa_per_m_s2": takes.NEAR_FIELD,
            "leak_share_per_m_s2": takes.LEAK,
            "delay_s": takes.AIR_DELAY,
        },
        "recorder": {
            "rate_hz": recorder.RATE_HZ,
            "full_scale_db": recorder.FULL_SCALE_DB,
            "acceleration_full_scale_m_s2": recorder.ACCELERATION_FULL_SCALE,
            "square_term": recorder.SQUARE_TERM,
            "cube_term": recorder.CUBE_TERM,
            "white_noise_rms_db_re_1": recorder.WHITE_DB,
            "room_noise_rms_db_re_1": recorder.ROOM_DB,
            "hum_peak_db_re_1": {f"{line:g} Hz": level for line, level in recorder.HUM_DB.items()},
        },
        "takes": {
            "sweep_hz": takes.SWEEP_HZ,
            "sweep_seconds": takes.SWEEP_SECONDS,
            "sweep_start_s": takes.SWEEP_START,
            "tap_times_s": takes.TAP_TIMES,
            "tap_position_share_of_length": takes.TAP_POSITION,
            "drive_steps_db": plan.STEPS_DB,
        },
    }
