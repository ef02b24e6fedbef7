//! One number for a room: the mean over its middle bands.

/// Mean T20 of the octaves 500 Hz and 1 kHz, or of their six one-third octaves from 400 Hz to 1.25 kHz (ISO 3382-1:2009,
/// table A.1).
///
/// `bands`: mid-band frequency, Hz, and T20, s, where there is one; octaves or thirds. `None` where one of the bands that
/// are asked for has none.
#[must_use]
pub fn middle_t20_s(bands: impl IntoIterator<Item = (f64, Option<f64>)>) -> Option<f64> {
    // 398.1 Hz is the lowest third of the one octave, 1258.9 Hz the highest of the other.
    let middle = bands.into_iter().filter(|(hz, _)| (390.0..1270.0).contains(hz));
    let (hz, times): (Vec<f64>, Vec<Option<f64>>) = middle.unzip();
    let times: Vec<f64> = times.into_iter().collect::<Option<_>>()?;
    let both = hz.iter().any(|hz| *hz < 640.0) && hz.iter().any(|hz| *hz > 790.0);
    (both && matches!(times.len(), 2 | 6)).then(|| times.iter().sum::<f64>() / times.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn octaves_and_thirds_give_their_mean() {
        let octaves = [(251.19, 9.0), (501.19, 0.4), (1000.0, 0.6), (1995.3, 9.0)];
        assert_eq!(middle_t20_s(octaves.map(|(hz, t)| (hz, Some(t)))), Some(0.5));
        let thirds = [398.11, 501.19, 630.96, 794.33, 1000.0, 1258.93].map(|hz| (hz, Some(hz / 1000.0)));
        let mean = thirds.iter().filter_map(|band| band.1).sum::<f64>() / 6.0;
        assert!((middle_t20_s(thirds).expect("six bands") - mean).abs() < 1e-12);
        assert_eq!(middle_t20_s([(501.19, Some(0.4))]), None);
        assert_eq!(
            middle_t20_s([(501.19, Some(0.4)), (630.96, Some(0.6))]),
            None,
            "two thirds of one octave"
        );
        let mut short = thirds;
        short[5].1 = None;
        assert_eq!(middle_t20_s(short), None, "five of six are another mean");
    }
}
