//! HTML written by hand. Every text from outside this file goes through [`escaped`];
//! the content policy allows no script at all.

use std::fmt;

/// The content policy of every HTML answer: our own inline style and nothing else.
pub const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src 'self'; \
    base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// A text as it may stand between tags and inside quoted attributes.
pub fn escaped(text: &str) -> impl fmt::Display + '_ {
    Escaped(text)
}

struct Escaped<'a>(&'a str);

impl fmt::Display for Escaped<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for c in self.0.chars() {
            match c {
                '<' => f.write_str("&lt;")?,
                '>' => f.write_str("&gt;")?,
                '&' => f.write_str("&amp;")?,
                '"' => f.write_str("&quot;")?,
                '\'' => f.write_str("&#39;")?,
                c => write!(f, "{c}")?,
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::escaped;

    #[test]
    fn markup_and_quotes_lose_their_meaning() {
        assert_eq!(
            escaped("<script>\"a\" & 'b'</script>").to_string(),
            "&lt;script&gt;&quot;a&quot; &amp; &#39;b&#39;&lt;/script&gt;"
        );
    }
}
