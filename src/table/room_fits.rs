//! `room_fit` of `results.json`: the room's dimensions as its modes show them.

use super::cell::Name;
use super::column::{integer, metres, plain, text};
use super::row::table;
use crate::estimate::Estimate;

table! {
    "room_fit", RoomFitRow, key ["state"],
    "Effective dimensions of the room, fitted to the modes that were assigned, within what a tape measure allows: one object per state of a rectangular room with an assignment.";
    state: Name = text().required(), "Name of the state of the room.";
    length: Estimate {
        length_m = metres().required().positive(), "Fitted length.";
        length_sd_m = metres().sd(), "One standard deviation of the length.";
    }
    width: Estimate {
        width_m = metres().required().positive(), "Fitted width.";
        width_sd_m = metres().sd(), "One standard deviation of the width.";
    }
    height: Estimate {
        height_m = metres().required().positive(), "Fitted height.";
        height_sd_m = metres().sd(), "One standard deviation of the height.";
    }
    temperature_c: f64 = plain("°C").required(), "Air temperature that the speed of sound follows from.";
    speed_of_sound_m_per_s: f64 = plain("m/s").required().positive(), "Speed of sound: 343.2·√((273.15 + θ)/293.15) m/s at θ °C.", "ISO 9613-1:1993";
    assigned_modes: u32 = integer().required(), "Modes that the fit rests on.";
    rms_error_percent: Option<f64> = plain("%").two_decimals().not_negative(), "Root mean square of measured over predicted frequency − 1, after the fit.";
}
