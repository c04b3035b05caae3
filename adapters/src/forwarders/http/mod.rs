//! Requests to any HTTP receiver: JSON lines, a SenML pack, or whatever templates say.

mod body;
mod headers;
mod link;

use super::checks::Checks;
use super::client::Host;
use super::lines::Lines;
use super::port::{Context, Forwarder, Kind, Link, Newest, Origin, Outgoing, Piece};
use super::rules::{Rules, Usual, options};
use super::template::Templates;
use body::{Each, Form};
use config::{AdapterTable, Fault};
use hyper::Method;
use hyper::header::HeaderMap;
use observation::Property;
use rustls::ClientConfig;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::Arc;

/// The kind `http`.
pub const KIND: Kind = Kind { name: "http", build, example: EXAMPLE };

const EXAMPLE: &str = r#"url = "http://127.0.0.1:9000/in"
"#;

options! {
    /// `[forward.http.NAME]`.
    struct Options {
        /// `http://HOST[:PORT]/PATH` or `https://...`; may be a template.
        url: String,
        /// `POST` (default), `PUT`, `PATCH` or `GET`.
        method: Option<String>,
        /// More headers.
        headers: Option<BTreeMap<String, String>>,
        /// The file of a token that is sent as `Authorization: Bearer`.
        token_file: Option<String>,
        /// Name for `Authorization: Basic`.
        user: Option<String>,
        /// The file of its password.
        password_file: Option<String>,
        /// The file of a text that templates know as `secret`.
        secret_file: Option<String>,
        /// The file of certificates to trust instead of the system's; PEM.
        ca_file: Option<String>,
        /// The file of the own certificate, where the other end asks for one; PEM.
        certificate_file: Option<String>,
        /// The file of its private key, without a password; PEM.
        key_file: Option<String>,
        /// What is sent: `lines` (default), `senml` or `none`.
        payload: Option<Payload>,
        /// A template for the body, instead of `payload`.
        body: Option<String>,
        /// `Content-Type`, where the body is a template.
        content_type: Option<String>,
        /// What one request carries: a `batch` (default), one `station` at one time, or
        /// one `reading` (default where the URL is a template).
        each: Option<Each>,
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Payload {
    Lines,
    Senml,
    None,
}

/// A receiver.
struct Http {
    rules: Rules,
    method: Method,
    /// Unless it is a template.
    url: Option<String>,
    headers: HeaderMap,
    form: Form,
    each: Each,
    templates: Templates,
    lines: Lines,
    trust: Option<Arc<ClientConfig>>,
}

impl Forwarder for Http {
    fn rules(&self) -> &Rules {
        &self.rules
    }

    fn prepare(&self, origin: &Origin, readings: &[Outgoing], _newest: &mut Newest) -> Vec<Piece> {
        self.pieces(origin, readings)
    }

    fn link(&self, _context: &Context) -> Box<dyn Link> {
        Box::new(link::HttpLink::new(self.method.clone(), self.headers.clone(), self.trust.clone()))
    }
}

fn is_template(text: &str) -> bool {
    text.contains("{{") || text.contains("{%")
}

fn build(table: &AdapterTable, property: &Arc<Property>) -> Result<Box<dyn Forwarder>, Vec<Fault>> {
    let options: Options = table.decode(EXAMPLE)?;
    let mut checks = Checks::of(table);
    let form = match (options.payload, &options.body) {
        (payload, Some(_)) => {
            if payload.is_some() {
                checks.fault(
                    &["payload"],
                    "a body by template has no payload",
                    "keep either `payload` or `body`",
                );
            }
            Form::Template
        }
        (Some(Payload::None), None) => Form::Nothing,
        (Some(Payload::Senml), None) => Form::Senml,
        (None | Some(Payload::Lines), None) => Form::Lines,
    };
    let each =
        options.each.unwrap_or(if is_template(&options.url) { Each::Reading } else { Each::Batch });
    // A request each: so many that new readings need not wait long where they go first.
    let batch = if each == Each::Batch { 1_000 } else { 100 };
    let usual = Usual { batch, counting_only: form == Form::Senml, may_be_live: true };
    let rules = options.told().rules(&mut checks, property, usual);
    let text = checks.secret("secret_file", options.secret_file.as_ref());
    let mut templates = Templates::new(text.as_ref());
    let url = address(&options, &mut templates, &mut checks);
    let named = [&options.ca_file, &options.certificate_file, &options.key_file];
    let files = checks.files(named);
    let tls = options.url.trim_start().starts_with("https:");
    let trust = checks.trust(&files, tls, "https://");
    if let Some(source) = &options.body
        && let Err(why) = templates.add(body::BODY, source)
    {
        checks.fault(&["body"], &why, "");
    }
    let method = match options.method.as_deref() {
        None | Some("POST") => Method::POST,
        Some("PUT") => Method::PUT,
        Some("PATCH") => Method::PATCH,
        Some("GET") => Method::GET,
        Some(other) => {
            let message = format!("`{other}` sends nothing");
            checks.fault(&["method"], &message, "use POST, PUT, PATCH or GET");
            Method::POST
        }
    };
    let headers = headers::of(&options, form, &mut checks);
    if !checks.faults.is_empty() {
        return Err(checks.faults);
    }
    Ok(Box::new(Http {
        rules,
        method,
        url,
        headers,
        form,
        each,
        templates,
        lines: Lines::default(),
        trust,
    }))
}

/// The address, unless it is a template.
fn address(
    options: &Options,
    templates: &mut Templates,
    checks: &mut Checks<'_>,
) -> Option<String> {
    if is_template(&options.url) {
        if let Err(why) = templates.add(body::URL, &options.url) {
            checks.fault(&["url"], &why, "");
        }
        return None;
    }
    if let Err(why) = Host::parse(&options.url) {
        let help = "write it like \"http://192.168.1.10:9000/in\"";
        checks.fault(&["url"], &format!("the address {why}"), help);
    }
    Some(options.url.clone())
}
