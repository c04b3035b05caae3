//! The known word nearest to one that is not known.

/// The candidate that takes the fewest edits (a letter added, dropped, changed, or two
/// neighbours exchanged) to become `word`, if that is no more than a third of its
/// letters, at least one and at most four; otherwise one that `word` begins or that
/// begins `word`. Case does not count.
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word: Vec<char> = word.chars().take(64).flat_map(char::to_lowercase).collect();
    let allowed = (word.len() / 3).clamp(1, 4);
    let mut best: Option<(usize, &str)> = None;
    for candidate in candidates {
        let other: Vec<char> = candidate.chars().flat_map(char::to_lowercase).collect();
        let edits = distance(&word, &other);
        let prefix = word.len() >= 3
            && other.len() >= 3
            && (other.starts_with(&word) || word.starts_with(&other));
        let cost = if edits <= allowed {
            edits
        } else if prefix {
            allowed + edits
        } else {
            continue;
        };
        if best.is_none_or(|(least, _)| cost < least) {
            best = Some((cost, candidate));
        }
    }
    best.map(|(_, candidate)| candidate)
}

/// Edits between two words, an exchange of neighbours counted once (the restricted
/// Damerau-Levenshtein distance).
fn distance(a: &[char], b: &[char]) -> usize {
    let mut before: Vec<usize> = Vec::new();
    let mut above: Vec<usize> = (0..=b.len()).collect();
    for (i, &x) in a.iter().enumerate() {
        let mut row = vec![i + 1];
        for (j, &y) in b.iter().enumerate() {
            let get = |row: &[usize], at: usize| row.get(at).copied().unwrap_or(usize::MAX / 2);
            let mut least = (get(&above, j + 1) + 1)
                .min(get(&row, j) + 1)
                .min(get(&above, j) + usize::from(x != y));
            if i > 0 && j > 0 && a.get(i - 1) == Some(&y) && b.get(j - 1) == Some(&x) {
                least = least.min(get(&before, j - 1) + 1);
            }
            row.push(least);
        }
        before = std::mem::replace(&mut above, row);
    }
    above.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_of_the_finger_are_recognised_and_strangers_are_not() {
        let keys =
            ["listen", "latitude", "longitude", "elevation", "calibration", "commit_interval"];
        for (word, expected) in [
            ("lisen", Some("listen")),
            ("Listen", Some("listen")),
            ("lsiten", Some("listen")),
            ("lattitude", Some("latitude")),
            ("callibration", Some("calibration")),
            ("commit", Some("commit_interval")),
            ("frog", None),
            ("", None),
        ] {
            assert_eq!(nearest(word, keys), expected, "{word}");
        }
    }

    #[test]
    fn an_exchange_of_neighbours_is_one_edit() {
        let letters = |text: &str| text.chars().collect::<Vec<_>>();
        assert_eq!(distance(&letters("unti"), &letters("unit")), 1);
        assert_eq!(distance(&letters(""), &letters("unit")), 4);
        assert_eq!(distance(&letters("kitten"), &letters("sitting")), 3);
    }
}
