//! Rooms drawn at random, for tests that need many: control-room sizes, dull walls, a loudspeaker near a corner.

use super::{Chain, Gauss, Scene};

/// Evenly between two numbers.
pub fn between(gauss: &mut Gauss, low: f64, high: f64) -> f64 {
    low + (high - low) * gauss.uniform()
}

/// What may be drawn.
pub struct Draw<'a> {
    /// Modes up to here, hertz.
    pub up_to_hz: f64,
    /// Range of the loudspeaker's cut-off, hertz.
    pub high_pass_hz: (f64, f64),
    /// How many places.
    pub places: fn(&mut Gauss) -> usize,
    /// Corners that every second place takes in turn; bit k set: at the far wall of axis k.
    pub corners: &'a [usize],
}

/// One room, with no unit in it.
pub struct Drawn {
    /// The room.
    pub scene: Scene,
    /// Where the loudspeaker stands, m.
    pub source: [f64; 3],
    /// Where microphones stand, m.
    pub places: Vec<[f64; 3]>,
}

/// Draws a room. Places alternate between seats and corners.
pub fn drawn(g: &mut Gauss, how: &Draw<'_>) -> Drawn {
    let dims = [between(g, 4.2, 6.8), between(g, 3.1, 5.2), between(g, 2.3, 3.0)];
    let wall = |g: &mut Gauss| between(g, 0.006, 0.02);
    let walls = [[wall(g), wall(g)], [wall(g), wall(g)], [wall(g), wall(g)]];
    let scene = Scene {
        dimensions_m: dims,
        temperature_c: 20.0,
        walls,
        up_to_hz: how.up_to_hz,
        units: Vec::new(),
        chain: Chain::high_pass(between(g, how.high_pass_hz.0, how.high_pass_hz.1), 2),
        gain: 0.3,
    };
    let source = [between(g, 0.2, 0.6), between(g, 0.2, 0.6), between(g, 0.2, 0.5)];
    let count = (how.places)(g);
    let corner = |k: usize, axis: usize| if (k >> axis) & 1 == 1 { dims[axis] - 0.05 } else { 0.05 };
    let place = |k: usize| {
        if k % 2 == 1 {
            let which = how.corners[(k / 2) % how.corners.len()];
            [corner(which, 0), corner(which, 1), corner(which, 2)]
        } else {
            [between(g, 0.15, 0.85) * dims[0], between(g, 0.15, 0.85) * dims[1], between(g, 0.9, 1.5)]
        }
    };
    Drawn { scene, source, places: (0..count).map(place).collect() }
}
