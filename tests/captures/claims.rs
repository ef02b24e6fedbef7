//! The modes that `analyze` claims against those that the room has.

use super::simulator::Pole;
use crate::program::{Row, number, rows};
use std::path::Path;

/// One claimed mode, values with one standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Claim {
    pub hz: (f64, f64),
    pub t60_s: (f64, f64),
}

/// Rows of kind `mode` of a table.
pub fn claims(table: &Path) -> Vec<Claim> {
    let claim = |row: &Row| Claim {
        hz: (number(row, "frequency_hz"), number(row, "frequency_sd_hz")),
        t60_s: (number(row, "t60_s"), number(row, "t60_sd_s")),
    };
    rows(table).iter().filter(|row| row["kind"] == "mode").map(claim).collect()
}

/// How claims stand against the truth.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Score {
    pub claimed: usize,
    pub false_modes: usize,
    /// 95 % intervals that miss the truth: of frequency, of T60.
    pub misses: [usize; 2],
}

/// Half a 95 % interval in standard deviations of a Gaussian.
const SD_PER_95: f64 = 1.96;

impl Score {
    /// Of claims, each against the nearest mode of the room within 0.3 Hz or 4 sd.
    pub fn of(claims: &[Claim], room: &[Pole]) -> Self {
        let mut score = Self { claimed: claims.len(), ..Self::default() };
        for claim in claims {
            let off = |pole: &&Pole| (pole.hz - claim.hz.0).abs();
            let nearest = room.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
            match nearest.filter(|pole| off(pole) < 0.3_f64.max(4.0 * claim.hz.1)) {
                None => score.false_modes += 1,
                Some(truth) => {
                    score.misses[0] += usize::from(off(&truth) > SD_PER_95 * claim.hz.1);
                    let late = (claim.t60_s.0 - truth.t60_s).abs() > SD_PER_95 * claim.t60_s.1;
                    score.misses[1] += usize::from(late);
                }
            }
        }
        score
    }

    pub fn add(&mut self, other: Self) {
        self.claimed += other.claimed;
        self.false_modes += other.false_modes;
        self.misses = [0, 1].map(|k| self.misses[k] + other.misses[k]);
    }

    /// Share of intervals that hold the truth: of frequency, of T60.
    pub fn held(&self) -> [f64; 2] {
        let right = (self.claimed - self.false_modes).max(1) as f64;
        self.misses.map(|misses| 1.0 - misses as f64 / right)
    }
}
