//! Lines out of a stream, none longer than a limit.

use std::io::{self, BufRead};

/// What stood on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Got {
    /// A line, without its end, in the buffer.
    Line,
    /// A line beyond the limit; it was passed over.
    TooLong,
    /// Nothing more.
    End,
}

/// Reads the next line into `line`, without its line feed and a carriage return before
/// it.
///
/// # Errors
/// When reading fails.
pub fn next(input: &mut impl BufRead, limit: usize, line: &mut Vec<u8>) -> io::Result<Got> {
    line.clear();
    let (mut any, mut long) = (false, false);
    loop {
        let part = match input.fill_buf() {
            Ok(part) => part,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        if part.is_empty() {
            break;
        }
        any = true;
        let end = part.iter().position(|&b| b == b'\n');
        let taken = part.get(..end.unwrap_or(part.len())).unwrap_or_default();
        if line.len() + taken.len() > limit {
            long = true;
        }
        if !long {
            line.extend_from_slice(taken);
        }
        let used = end.map_or(part.len(), |e| e + 1);
        input.consume(used);
        if end.is_some() {
            break;
        }
    }
    if line.last() == Some(&b'\r') {
        line.pop();
    }
    Ok(match (any, long) {
        (false, _) => Got::End,
        (true, true) => Got::TooLong,
        (true, false) => Got::Line,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_lines_are_passed_over_and_the_rest_goes_on() {
        let text = format!("one\r\n{}\n\nlast", "x".repeat(50));
        let mut input = io::BufReader::with_capacity(7, text.as_bytes());
        let mut line = Vec::new();
        let mut seen = Vec::new();
        while let Ok(got) = next(&mut input, 10, &mut line) {
            if got == Got::End {
                break;
            }
            seen.push((got, String::from_utf8_lossy(&line).into_owned()));
        }
        assert_eq!(seen.len(), 4);
        assert_eq!(seen[0], (Got::Line, "one".to_owned()));
        assert_eq!(seen[1].0, Got::TooLong);
        assert_eq!(seen[2], (Got::Line, String::new()));
        assert_eq!(seen[3], (Got::Line, "last".to_owned()));
    }
}
