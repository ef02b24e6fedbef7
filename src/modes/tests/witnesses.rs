//! Two methods of general-purpose libraries that share nothing with the fit: the AAA rational approximation
//! (Nakatsukasa, Sète & Trefethen 2018; scipy.interpolate.AAA) of one spectrum, and a subspace method
//! (ESPRIT, Roy & Kailath 1989; numpy.linalg) on the samples of all places. `tests/reference/witnesses.py` runs both.

use super::super::{FitSettings, Kind, Mode, fit};
use super::closed_form::{Case, RATE_HZ};
use super::script;
use rustfft::num_complex::Complex;
use serde_json::{Value, json};

/// Poles of the upper half plane that a witness found, 1/s.
fn poles(answer: &Value, name: &str) -> Vec<Complex<f64>> {
    let pairs = answer[name].as_array().unwrap().iter();
    pairs.map(|p| Complex::new(p[0].as_f64().unwrap(), p[1].as_f64().unwrap())).collect()
}

/// Largest distance from one of ours to the nearest of theirs over the decay constant.
fn worst(case: &Case, theirs: &[Complex<f64>]) -> f64 {
    let settings = FitSettings { to_hz: 110.0, refits: false, ..FitSettings::default() };
    let set = fit(&case.places(), &settings);
    let claims: Vec<&Mode> = set.modes.iter().filter(|mode| mode.kind == Kind::Mode).collect();
    assert_eq!(claims.len(), case.poles.len(), "{:?}", set.modes);
    let apart = |mode: &&Mode| {
        let own = Complex::new(-mode.decay_per_s, mode.omega_per_s);
        theirs.iter().fold(f64::INFINITY, |least, other| least.min((other - own).norm() / mode.decay_per_s))
    };
    claims.iter().map(apart).fold(0.0, f64::max)
}

fn ask(case: &Case, file: &str) -> Option<Value> {
    let input = json!({
        "rate_hz": RATE_HZ, "band_hz": [15.0, 110.0], "records": case.records,
        "poles": case.poles.len(), "noise_sd": case.noise_sd,
    });
    script::run("witnesses.py", &input, file)
}

#[test]
#[ignore = "needs python with numpy and scipy; .ci/run runs it"]
fn ladder_without_noise_a_rational_and_a_subspace_fit_find_the_same_poles() {
    let case = Case::new(3600, 0.0, 21);
    let Some(answer) = ask(&case, "ladder-clean.json") else { return };
    for name in ["aaa", "esprit"] {
        let off = worst(&case, &poles(&answer, name));
        println!("{name}: within {off:.1e} of the decay constant");
        assert!(off < 1e-6, "{name}: {off}");
    }
}

/// Amplitudes of about one in noise of 1e-5: neither witness weighs or averages as the fit does, so they
/// scatter more, but a wrong model in the fit would stand out.
#[test]
#[ignore = "needs python with numpy and scipy; .ci/run runs it"]
fn ladder_in_little_noise_they_still_agree() {
    let case = Case::new(3600, 1e-5, 22);
    let Some(answer) = ask(&case, "ladder-noisy.json") else { return };
    for name in ["aaa", "esprit"] {
        let off = worst(&case, &poles(&answer, name));
        println!("{name}: within {off:.1e} of the decay constant");
        assert!(off < 1e-3, "{name}: {off}");
    }
}
