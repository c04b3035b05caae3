//! Contrasts: combinations of the stations in which what all of them share cancels.
//!
//! For n stations there are n - 1, orthonormal (Helmert's): an offset of one station moves
//! all of them along a known direction, its *signature*.

/// The contrasts of `stations` stations and several quantities; a vector of contrasts
/// holds quantity after quantity.
#[derive(Clone, Debug)]
pub(super) struct Contrasts {
    stations: usize,
    quantities: usize,
    rows: Vec<f64>,
}

impl Contrasts {
    /// Contrasts of at least two stations.
    pub(super) fn new(stations: usize, quantities: usize) -> Self {
        let stations = stations.max(2);
        let mut rows = vec![0.0; (stations - 1) * stations];
        for row in 0..stations - 1 {
            let others = (stations - 1 - row) as f64;
            let length = (1.0 + 1.0 / others).sqrt();
            rows[row * stations + row] = 1.0 / length;
            for other in row + 1..stations {
                rows[row * stations + other] = -1.0 / (others * length);
            }
        }
        Self { stations, quantities, rows }
    }

    /// Length of a vector of contrasts.
    pub(super) const fn length(&self) -> usize {
        (self.stations - 1) * self.quantities
    }

    /// Number of hypotheses "this quantity of this station".
    pub(super) const fn hypotheses(&self) -> usize {
        self.stations * self.quantities
    }

    /// Contrasts of one quantity: `values` by station, appended to `out`.
    pub(super) fn append(&self, values: &[f64], out: &mut Vec<f64>) {
        for row in self.rows.chunks_exact(self.stations) {
            out.push(row.iter().zip(values).map(|(a, b)| a * b).sum());
        }
    }

    /// What one unit of offset adds to the contrasts. Hypotheses are numbered quantity by
    /// quantity, station by station.
    pub(super) fn signature(&self, hypothesis: usize) -> Vec<f64> {
        let mut out = vec![0.0; self.length()];
        let (quantity, station) = (hypothesis / self.stations, hypothesis % self.stations);
        for (row, coefficients) in self.rows.chunks_exact(self.stations).enumerate() {
            if let Some(element) = out.get_mut(quantity * (self.stations - 1) + row) {
                *element = coefficients[station];
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_shared_cancels_and_an_offset_follows_its_signature() {
        for stations in 2..7 {
            let contrasts = Contrasts::new(stations, 2);
            for hypothesis in 0..contrasts.hypotheses() {
                let mut values = vec![vec![17.0; stations], vec![60.0; stations]];
                values[hypothesis / stations][hypothesis % stations] += 2.5;
                let mut found = Vec::new();
                for quantity in &values {
                    contrasts.append(quantity, &mut found);
                }
                let signature = contrasts.signature(hypothesis);
                for (a, b) in found.iter().zip(&signature) {
                    assert!((a - 2.5 * b).abs() < 1e-12);
                }
                let length: f64 = signature.iter().map(|a| a * a).sum();
                assert!((length - (1.0 - 1.0 / stations as f64)).abs() < 1e-12);
            }
        }
    }
}
