//! Lines out of bytes.
//!
//! The rule kept here: a line counts only when its end arrived; nothing longer than the
//! limit is ever held; whatever is wrong with one line, the next one is read.

/// What stands between two line ends.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Item<'a> {
    /// A line, without its end.
    Line(&'a str),
    /// More than the limit; told once for each line, when its end arrived.
    TooLong,
    /// Bytes that are not UTF-8.
    BadBytes(&'a [u8]),
}

/// Keeps the beginning of a line until its end arrives.
#[derive(Debug)]
pub(super) struct Lines {
    limit: usize,
    begun: Vec<u8>,
    overlong: bool,
}

impl Lines {
    /// Lines of at most `limit` bytes.
    pub(super) const fn new(limit: usize) -> Self {
        Self { limit, begun: Vec::new(), overlong: false }
    }

    /// Takes bytes and gives each finished line to `each`.
    pub(super) fn take(&mut self, bytes: &[u8], mut each: impl FnMut(Item<'_>)) {
        let mut rest = bytes;
        while let Some(end) = memchr::memchr(b'\n', rest) {
            let (line, after) = rest.split_at(end);
            rest = after.get(1..).unwrap_or_default();
            if self.overlong || self.begun.len() + line.len() > self.limit + 1 {
                each(Item::TooLong);
            } else if self.begun.is_empty() {
                each(self.item(line));
            } else {
                self.begun.extend_from_slice(line);
                each(self.item(&self.begun));
            }
            self.begun.clear();
            self.overlong = false;
        }
        // One more than the limit, for the carriage return.
        if self.overlong || self.begun.len() + rest.len() > self.limit + 1 {
            self.overlong = true;
            self.begun.clear();
        } else {
            self.begun.extend_from_slice(rest);
        }
    }

    /// Drops the beginning of a line; whether there was one.
    pub(super) fn drop_begun(&mut self) -> bool {
        let any = self.overlong || !self.begun.is_empty();
        self.begun.clear();
        self.overlong = false;
        any
    }

    fn item<'a>(&self, line: &'a [u8]) -> Item<'a> {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if line.len() > self.limit {
            return Item::TooLong;
        }
        match std::str::from_utf8(line) {
            Ok(text) => Item::Line(text),
            Err(_) => Item::BadBytes(line),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn all(lines: &mut Lines, bytes: &[u8]) -> Vec<String> {
        let mut out = Vec::new();
        lines.take(bytes, |item| {
            out.push(match item {
                Item::Line(text) => format!("line {text}"),
                Item::TooLong => "too long".to_owned(),
                Item::BadBytes(_) => "bad bytes".to_owned(),
            });
        });
        out
    }

    #[test]
    fn each_line_stands_for_itself() {
        let mut lines = Lines::new(8);
        assert_eq!(all(&mut lines, b"t=1\r\nt=2\n\nt="), ["line t=1", "line t=2", "line "]);
        assert_eq!(all(&mut lines, b"3\r"), Vec::<String>::new());
        assert_eq!(all(&mut lines, b"\n12345678\r\n"), ["line t=3", "line 12345678"]);
        assert_eq!(
            all(&mut lines, b"123456789\n\xff\xfe\nt=4\n"),
            ["too long", "bad bytes", "line t=4"]
        );
        assert!(!lines.drop_begun());
    }

    #[test]
    fn an_endless_line_is_told_once_and_never_held() {
        let mut lines = Lines::new(4_096);
        for _ in 0..1_000 {
            assert!(all(&mut lines, &[b'x'; 1_000]).is_empty());
            assert!(lines.begun.capacity() <= 16_384, "{} held", lines.begun.capacity());
        }
        assert_eq!(all(&mut lines, b"x\nt=1\n"), ["too long", "line t=1"]);
        assert!(all(&mut lines, b"t=").is_empty());
        assert!(lines.drop_begun());
        assert_eq!(all(&mut lines, b"t=5\n"), ["line t=5"]);
    }

    proptest! {
        #[test]
        fn how_the_bytes_are_cut_does_not_matter(
            bytes in proptest::collection::vec(prop_oneof![4 => 97_u8..100, 1 => Just(b'\n'), 1 => Just(b'\r'), 1 => any::<u8>()], 0..200),
            cuts in proptest::collection::vec(0_usize..200, 0..8),
        ) {
            let mut whole = Lines::new(8);
            let expected = all(&mut whole, &bytes);
            let mut cuts: Vec<usize> = cuts.into_iter().map(|c| c.min(bytes.len())).collect();
            cuts.extend([0, bytes.len()]);
            cuts.sort_unstable();
            let mut pieces = Lines::new(8);
            let mut got = Vec::new();
            for pair in cuts.windows(2) {
                got.extend(all(&mut pieces, &bytes[pair[0]..pair[1]]));
                prop_assert!(pieces.begun.len() <= 9);
            }
            prop_assert_eq!(got, expected);
        }
    }
}
