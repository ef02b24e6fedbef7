//! How fast a mode decays when the walls take energy.

/// Specific acoustic conductance of the six walls: real part of ρc/Z, `[axis][near wall, far wall]`.
///
/// The near wall of an axis is the one through the origin. 0 is rigid; 0.01 everywhere gives a
/// room of 65 m³ a T60 between 1.3 and 2.1 s.
pub type Conductances = [[f64; 2]; 3];

/// Decay constant δ in 1/s of the mode `axes` of a box with slightly absorbing walls.
///
/// `δ = c/(2V) Σ_w ε_w β_w S_w`, with ε = 2 for the two walls that the mode stands between (index
/// above zero) and 1 for walls that it grazes: first-order perturbation of the rigid box (Morse &
/// Bolt, Rev. Mod. Phys. 16 (1944); Kuttruff, *Room Acoustics*, chapter 3). Holds while β is small,
/// say under 0.1. T60 = 3 ln 10 / δ.
#[must_use]
pub fn decay_per_s(
    dimensions_m: [f64; 3],
    sound_speed_m_s: f64,
    walls: &Conductances,
    axes: [u32; 3],
) -> f64 {
    // S/V of a wall is one over the length normal to it.
    let sum: f64 = (0..3)
        .map(|axis| {
            let stands = if axes[axis] > 0 { 2.0 } else { 1.0 };
            stands * (walls[axis][0] + walls[axis][1]) / dimensions_m[axis]
        })
        .sum();
    0.5 * sound_speed_m_s * sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    const ALIKE: Conductances = [[0.01; 2]; 3];
    const ROOM: [f64; 3] = [5.6, 4.25, 2.75];

    /// Worked by hand from the formula: β = 0.01 on all walls, c = 343.2 m/s.
    #[test]
    fn worked_example() {
        for (axes, delta, t60_s) in
            [([1, 0, 0], 3.2812, 2.1052), ([1, 1, 0], 4.0888, 1.6894), ([1, 1, 1], 5.3368, 1.2944)]
        {
            let found = decay_per_s(ROOM, 343.2, &ALIKE, axes);
            assert!((found - delta).abs() < 5e-5, "{axes:?}: {found}");
            assert!((6.907_755 / found - t60_s).abs() < 5e-5);
        }
    }

    /// In a diffuse field a small β absorbs α = 8 β (Kuttruff); an oblique mode then decays as
    /// Sabine says: T = 24 ln 10 · V/(c α S), the exact form of 0.161 V/A.
    #[test]
    fn oblique_modes_decay_as_sabine_says() {
        let [l, w, h] = ROOM;
        let surface = 2.0 * (l * w + l * h + w * h);
        let sabine = 24.0 * 10f64.ln() * l * w * h / (343.2 * 0.08 * surface);
        let mode = 3.0 * 10f64.ln() / decay_per_s(ROOM, 343.2, &ALIKE, [1, 1, 1]);
        assert_relative_eq!(mode, sabine, epsilon = 0.0, max_relative = 1e-14);
        assert!((sabine - 1.2944).abs() < 5e-5);
    }

    /// In a cube the decay constants of axial, tangential and oblique modes are as 4 : 5 : 6.
    #[test]
    fn cube_ratios() {
        let delta = |axes| decay_per_s([3.0; 3], 343.2, &ALIKE, axes);
        assert_relative_eq!(
            delta([2, 0, 0]) / delta([1, 1, 2]),
            4.0 / 6.0,
            epsilon = 0.0,
            max_relative = 1e-14
        );
        assert_relative_eq!(
            delta([0, 1, 3]) / delta([1, 1, 1]),
            5.0 / 6.0,
            epsilon = 0.0,
            max_relative = 1e-14
        );
    }

    /// Treating one pair of walls takes twice as much from the modes between them as from the rest.
    #[test]
    fn one_treated_pair_of_walls_shows_two_to_one() {
        let mut treated = ALIKE;
        treated[1] = [0.013; 2];
        let gain = |axes| decay_per_s(ROOM, 343.2, &treated, axes) - decay_per_s(ROOM, 343.2, &ALIKE, axes);
        assert_relative_eq!(gain([0, 1, 0]), 2.0 * gain([1, 0, 0]), epsilon = 0.0, max_relative = 1e-12);
        assert_relative_eq!(gain([0, 1, 0]), 2.0 * 343.2 * 0.003 / 4.25, epsilon = 0.0, max_relative = 1e-12);
    }
}
