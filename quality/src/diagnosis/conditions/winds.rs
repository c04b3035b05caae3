//! What a cup lacks by the strength of the wind and by where it comes from.

use super::{Look, Refined, TIMES, in_sector};
use crate::diagnosis::causes::Cause;
use crate::diagnosis::points::POINTS;

/// What is left of the wind in light and in strong wind, as logarithms.
fn light_and_strong(look: &Look) -> Option<(f64, f64)> {
    Some((look.excess(|h| (1.0..3.0).contains(&h.others))?, look.excess(|h| h.others >= 6.0)?))
}

fn of_winds(cause: Cause, light: f64, strong: f64) -> Refined {
    Refined {
        cause,
        words: format!(
            "{:.2} times in light wind, {:.2} times in wind above 6 m/s",
            light.exp(),
            strong.exp()
        ),
        numbers: vec![("in_light_wind", light.exp()), ("in_strong_wind", strong.exp())],
    }
}

pub(super) fn cup(look: &Look) -> Option<Refined> {
    let (light, strong) = light_and_strong(look)?;
    if strong < -0.1 && strong < TIMES * light && strong < light - 0.08 {
        return Some(of_winds(Cause::CupSlowAtHighWind, light, strong));
    }
    (light < -0.25 && light < 3.0 * strong).then(|| of_winds(Cause::CupSticking, light, strong))
}

pub(super) fn whole(cause: Cause, look: &Look) -> Option<Refined> {
    let (light, strong) = light_and_strong(look)?;
    Some(of_winds(cause, light, strong))
}

pub(super) fn sheltered(look: &Look) -> Option<Refined> {
    let of_sector = |place: usize| {
        let middle = place as f64 * 45.0;
        look.excess(|h| h.others >= 2.0 && in_sector(h.direction, middle))
    };
    let sectors: Vec<(usize, f64)> =
        (0..POINTS.len()).filter_map(|s| Some((s, of_sector(s)?))).collect();
    let least = sectors.iter().map(|(_, r)| *r).reduce(f64::min)?;
    let most = sectors.iter().map(|(_, r)| *r).reduce(f64::max)?;
    if sectors.len() < 3 || least > -0.2 || most < 0.33 * least {
        return None;
    }
    let (names, each): (Vec<&str>, Vec<(&str, f64)>) = sectors
        .iter()
        .filter(|(_, r)| *r < 0.5 * (least + most))
        .filter_map(|(s, r)| POINTS.get(*s).map(|(point, name)| (*point, (*name, r.exp()))))
        .unzip();
    // What is slow from nearly everywhere is no shelter.
    (names.len() * 2 <= sectors.len()).then(|| Refined {
        cause: Cause::MastSheltered,
        words: format!(
            "{:.2} times from {}, {:.2} times from the most open sector",
            least.exp(),
            names.join(", "),
            most.exp()
        ),
        numbers: [("sheltered", least.exp()), ("open", most.exp())]
            .into_iter()
            .chain(each)
            .collect(),
    })
}
