//! What a decoder or the parser of TOML says, in the words of this program and with what
//! to write instead. What is not known here is passed on as it was said.

/// A fault's message and its remedy.
pub(crate) type Words = (String, Option<String>);

/// Of a value that a decoder did not take.
pub(crate) fn of_value(message: &str) -> Words {
    if message.starts_with("invalid socket address") {
        return (
            "this is not an IP address with a port".to_owned(),
            Some(
                "write it like \"127.0.0.1:8674\", for this machine alone, or \"0.0.0.0:8674\", \
                 for all that reach it"
                    .to_owned(),
            ),
        );
    }
    let kind = message.strip_prefix("invalid type: ").map(|rest| (rest, false));
    let value = message.strip_prefix("invalid value: ").map(|rest| (rest, true));
    let Some((rest, of_range)) = kind.or(value) else { return (message.to_owned(), None) };
    // A text may hold anything, the words that part the message too.
    let Some((found, expected)) = rest.rsplit_once(", expected ") else {
        return (message.to_owned(), None);
    };
    let wanted = wanted(expected).unwrap_or(expected);
    let text = found.strip_prefix("string \"").and_then(|f| f.strip_suffix('"'));
    let number = ["integer `", "floating point `"]
        .into_iter()
        .find_map(|kind| found.strip_prefix(kind).and_then(|rest| rest.strip_suffix('`')));
    if of_range && let Some(number) = number {
        return (format!("{number} is out of range: {wanted} is expected"), lowest(expected));
    }
    let help = match (wanted, text, number) {
        ("a text", _, Some(number)) => Some(format!("write it in quotes: \"{number}\"")),
        ("true or false", Some(text @ ("true" | "false")), _) => Some(without_quotes(text)),
        ("a whole number" | "a number", Some(text), _) if text.parse::<f64>().is_ok() => {
            Some(without_quotes(text))
        }
        ("a list", Some(text), _) => Some(format!("write it in brackets: [\"{text}\"]")),
        _ => None,
    };
    (format!("{wanted} is expected here, not {}", kind_of(found)), help)
}

fn without_quotes(text: &str) -> String {
    format!("write it without quotes: {text}")
}

fn lowest(expected: &str) -> Option<String> {
    expected.starts_with('u').then(|| "write 0 or more".to_owned())
}

/// A type of the decoder's; none where it says what it wants in words of its own.
fn wanted(expected: &str) -> Option<&'static str> {
    Some(match expected {
        "u8" | "u16" | "u32" | "u64" | "usize" | "i8" | "i16" | "i32" | "i64" | "isize" => {
            "a whole number"
        }
        "f32" | "f64" => "a number",
        "a string" | "string" | "str" => "a text",
        "a boolean" => "true or false",
        "a sequence" => "a list",
        "a map" => "a table",
        other if other.starts_with("struct ") => "a table",
        _ => return None,
    })
}

fn kind_of(found: &str) -> &'static str {
    match found.split([' ', ',']).next().unwrap_or_default() {
        "string" => "a text",
        "integer" => "a whole number",
        "floating" => "a number",
        "boolean" => "true or false",
        "sequence" => "a list",
        "map" => "a table",
        _ => "this",
    }
}

/// What to do about a file that is not TOML.
pub(crate) fn of_grammar(message: &str) -> Option<&'static str> {
    [
        (
            "duplicate key",
            "it stands further up already: keep one. Of what may stand several times, such as \
             [[station]] and [[station.instrument]], each begins with two brackets",
        ),
        ("string", "a text ends on its line, with the quote it began with"),
        ("unclosed", "close what was opened: each [ by ], each { by }"),
        ("key with no value", "write KEY = VALUE"),
        ("missing value", "write KEY = VALUE"),
        ("unquoted key", "a key is of letters, digits, `-` and `_`, without quotes"),
        ("expected newline", "on a line stands one KEY = VALUE; numbers have a point, not a comma"),
    ]
    .into_iter()
    .find(|(said, _)| message.contains(said))
    .map(|(_, help)| help)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decoders_are_understood_and_what_is_not_is_passed_on() {
        for (said, message, help) in [
            (
                "invalid type: string \"115200\", expected u32",
                "a whole number is expected here, not a text",
                Some("write it without quotes: 115200"),
            ),
            (
                "invalid type: integer `5`, expected a string",
                "a text is expected here, not a whole number",
                Some("write it in quotes: \"5\""),
            ),
            (
                "invalid type: string \"a, expected b\", expected a boolean",
                "true or false is expected here, not a text",
                None,
            ),
            (
                "invalid type: string \"good\", expected a sequence",
                "a list is expected here, not a text",
                Some("write it in brackets: [\"good\"]"),
            ),
            (
                "invalid value: integer `-5`, expected u32",
                "-5 is out of range: a whole number is expected",
                Some("write 0 or more"),
            ),
            ("`30` is no span", "`30` is no span", None),
            (
                "invalid type: integer `30`, expected a span of time",
                "a span of time is expected here, not a whole number",
                None,
            ),
        ] {
            assert_eq!(of_value(said), (message.to_owned(), help.map(str::to_owned)), "{said}");
        }
    }
}
