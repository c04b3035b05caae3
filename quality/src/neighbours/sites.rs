//! Where the stations stand, and which are near each other.

/// Stations of one panel.
pub(super) const LARGEST: usize = 5;
/// A difference of height keeps stations as far apart as so many times its length.
const HEIGHT_COUNTS: f64 = 20.0;
/// Metres of one degree of latitude.
const DEGREE: f64 = 111_200.0;

/// Where a station stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Site {
    /// Degrees, north positive.
    pub latitude: f64,
    /// Degrees, east positive.
    pub longitude: f64,
    /// Metres above mean sea level.
    pub elevation: f64,
}

fn apart(a: &Site, b: &Site) -> f64 {
    let north = (a.latitude - b.latitude) * DEGREE;
    let middle = f64::midpoint(a.latitude, b.latitude).to_radians();
    let east = (a.longitude - b.longitude) * DEGREE * middle.cos();
    north.hypot(east).hypot(HEIGHT_COUNTS * (a.elevation - b.elevation))
}

/// The places of the stations nearest to `own`, itself left out, nearest first: at most
/// as many as a panel holds beside it.
pub fn nearest(sites: &[Site], own: usize) -> Vec<usize> {
    let Some(here) = sites.get(own) else { return Vec::new() };
    let mut stations: Vec<(f64, usize)> = sites
        .iter()
        .enumerate()
        .filter(|(place, _)| *place != own)
        .map(|(place, site)| (apart(here, site), place))
        .collect();
    stations.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    stations.truncate(LARGEST - 1);
    stations.into_iter().map(|(_, place)| place).collect()
}
