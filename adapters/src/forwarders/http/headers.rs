//! The headers of all requests.

use super::Options;
use super::body::Form;
use crate::forwarders::checks::Checks;
use crate::forwarders::senml;
use hyper::header::{AUTHORIZATION, CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue};

pub(super) fn of(options: &Options, form: Form, checks: &mut Checks<'_>) -> HeaderMap {
    let mut headers = HeaderMap::new();
    for (name, value) in options.headers.iter().flatten() {
        let parsed = (HeaderName::try_from(name.as_str()), HeaderValue::try_from(value.as_str()));
        if let (Ok(name), Ok(value)) = parsed {
            headers.insert(name, value);
        } else {
            checks.fault(&["headers", name], "this is no header", "");
        }
    }
    if let Some(value) = authorization(options, checks) {
        headers.insert(AUTHORIZATION, value);
    }
    let kind = match (form, &options.content_type) {
        (_, Some(kind)) => Some(kind.as_str()),
        (Form::Lines, None) => Some("application/x-ndjson"),
        (Form::Senml, None) => Some(senml::TYPE),
        (Form::Template | Form::Nothing, None) => None,
    };
    if let Some(kind) = kind {
        if let Ok(value) = HeaderValue::try_from(kind) {
            headers.insert(CONTENT_TYPE, value);
        } else {
            checks.fault(&["content_type"], "this is no header", "");
        }
    }
    headers
}

fn authorization(options: &Options, checks: &mut Checks<'_>) -> Option<HeaderValue> {
    let token = checks.secret("token_file", options.token_file.as_ref());
    let password = checks.secret("password_file", options.password_file.as_ref());
    if options.user.is_some() != options.password_file.is_some() {
        checks.fault(&["user"], "`user` and `password_file` belong together", "");
        return None;
    }
    if options.user.is_some() && options.token_file.is_some() {
        let help = "keep either `token_file` or `user`";
        checks.fault(&["user"], "a request has one `Authorization`", help);
        return None;
    }
    let text = match (token, &options.user, password) {
        (Some(token), _, _) => format!("Bearer {}", token.reveal()),
        (None, Some(user), Some(password)) => {
            format!("Basic {}", base64(&format!("{user}:{}", password.reveal())))
        }
        _ => return None,
    };
    if let Ok(mut value) = HeaderValue::try_from(text) {
        value.set_sensitive(true);
        return Some(value);
    }
    checks.fault(&["token_file"], "the secret does not fit into a header", "");
    None
}

/// Base 64 (RFC 4648, section 4).
fn base64(text: &str) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::new();
    for three in text.as_bytes().chunks(3) {
        let bits = three.iter().fold(0_u32, |bits, &b| bits << 8 | u32::from(b))
            << (8 * (3 - three.len()));
        for place in 0..4 {
            let letter = (bits >> (18 - 6 * place) & 63) as usize;
            out.push(if place > three.len() {
                '='
            } else {
                char::from(LETTERS.get(letter).copied().unwrap_or(b'='))
            });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::base64;

    #[test]
    fn base_64_as_in_its_standard() {
        // RFC 4648, section 10.
        for (text, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(text), coded);
        }
    }
}
