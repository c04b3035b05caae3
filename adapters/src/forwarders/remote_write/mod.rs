//! Prometheus remote write, version 1.0: protobuf under snappy, each sample with the
//! reading's own time. One lane, so that times rise within a series.

mod message;

use super::checks::Checks;
use super::client::{Client, Host, verdict};
use super::port::{
    Context, Forwarder, Kind, Link, Newest, Origin, Outgoing, Piece, SeriesName, Verdict, Verdicts,
};
use super::rules::{Rules, Usual, options};
use bytes::Bytes;
use config::{AdapterTable, Fault};
use futures_util::future::BoxFuture;
use http_body_util::Full;
use hyper::header::{
    AUTHORIZATION, CONTENT_ENCODING, CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue, USER_AGENT,
};
use hyper::{Method, Request, Uri};
use message::{Label, Sample, TimeSeries, WriteRequest};
use observation::{Property, Statistic};
use prost::Message as _;
use rustls::ClientConfig;
use std::collections::BTreeMap;
use std::sync::Arc;

/// The kind `remote_write`.
pub const KIND: Kind = Kind { name: "remote_write", build, example: EXAMPLE };

const EXAMPLE: &str = r#"url = "http://127.0.0.1:9090/api/v1/write"
"#;

options! {
    /// `[forward.remote_write.NAME]`.
    struct Options {
        /// `http://HOST[:PORT]/PATH` or `https://...`.
        url: String,
        /// More labels of every series.
        labels: Option<BTreeMap<String, String>>,
        /// The file of a token that is sent as `Authorization: Bearer`.
        token_file: Option<String>,
        /// The file of certificates to trust instead of the system's; PEM.
        ca_file: Option<String>,
        /// The file of the own certificate, where the other end asks for one; PEM.
        certificate_file: Option<String>,
        /// The file of its private key, without a password; PEM.
        key_file: Option<String>,
    }
}

/// A receiver.
struct RemoteWrite {
    rules: Rules,
    uri: Uri,
    host: Host,
    headers: HeaderMap,
    labels: BTreeMap<String, String>,
    trust: Option<Arc<ClientConfig>>,
}

impl Forwarder for RemoteWrite {
    fn rules(&self) -> &Rules {
        &self.rules
    }

    fn prepare(&self, origin: &Origin, readings: &[Outgoing], _newest: &mut Newest) -> Vec<Piece> {
        // By series and time: of several revisions in one request the highest.
        let mut series: BTreeMap<u32, BTreeMap<i64, (u32, f64)>> = BTreeMap::new();
        for outgoing in readings {
            let reading = &outgoing.reading;
            let Some(steps) = reading.value else { continue };
            let Some(name) = origin.series(reading.series) else { continue };
            let Some(value) = name.series.quantity.base_value(steps) else { continue };
            let held = series.entry(reading.series.0).or_default();
            let held = held.entry(reading.time.0).or_insert((reading.revision, value));
            if reading.revision >= held.0 {
                *held = (reading.revision, value);
            }
        }
        if series.is_empty() {
            return Vec::new();
        }
        let timeseries = series
            .into_iter()
            .filter_map(|(index, samples)| {
                let name = origin.series(observation::SeriesIndex(index))?;
                let samples = samples
                    .into_iter()
                    .map(|(timestamp, (_, value))| Sample { value, timestamp })
                    .collect();
                Some(TimeSeries { labels: self.labels_of(name), samples })
            })
            .collect();
        let plain = WriteRequest { timeseries }.encode_to_vec();
        let piece = match snap::raw::Encoder::new().compress_vec(&plain) {
            Ok(body) => Piece { body: Bytes::from(body), ..Piece::default() },
            Err(error) => Piece { fault: Some(error.to_string()), ..Piece::default() },
        };
        vec![Piece { readings: 0..readings.len(), ..piece }]
    }

    fn link(&self, _context: &Context) -> Box<dyn Link> {
        Box::new(Writer {
            uri: self.uri.clone(),
            host: self.host.clone(),
            headers: self.headers.clone(),
            client: Client::new(self.trust.clone()),
        })
    }
}

impl RemoteWrite {
    /// Labels ordered by name, as the protocol asks; the same as at `/metrics`.
    fn labels_of(&self, name: &SeriesName) -> Vec<Label> {
        let series = &name.series;
        let mut labels = self.labels.clone();
        let mut set = |name: &str, value: String| {
            labels.insert(name.to_owned(), value);
        };
        set("__name__", format!("isobarn_{}", series.quantity.metric_name()));
        set("station", series.station.clone());
        set("instrument", series.instrument.clone());
        if series.statistic != Statistic::Point || series.period.is_some() {
            set("statistic", series.statistic.word().to_owned());
        }
        if let Some(over) = series.over {
            set("over", over.to_string());
        }
        if let Some(period) = series.period {
            set("period", period.to_string());
        }
        labels.into_iter().map(|(name, value)| Label { name, value }).collect()
    }
}

struct Writer {
    uri: Uri,
    host: Host,
    headers: HeaderMap,
    client: Client,
}

impl Link for Writer {
    fn attempt<'a>(&'a mut self, pieces: &'a [Piece], verdicts: &'a Verdicts) -> BoxFuture<'a, ()> {
        Box::pin(async move {
            for piece in pieces {
                let mut request = Request::new(Full::new(piece.body.clone()));
                *request.method_mut() = Method::POST;
                *request.uri_mut() = self.uri.clone();
                *request.headers_mut() = self.headers.clone();
                let verdict = match self.client.send(request).await {
                    Ok(answer) => verdict(&self.host, answer),
                    Err(reason) => Verdict::later(reason),
                };
                let delivered = verdict == Verdict::Delivered;
                verdicts.give(verdict);
                // Order holds: nothing goes before what is split or waits.
                if !delivered {
                    break;
                }
            }
        })
    }
}

/// Whether a label's name is one (Prometheus data model: letters, digits, `_`, no digit
/// first, no `__` first).
fn is_label(name: &str) -> bool {
    !name.starts_with("__")
        && name.starts_with(|c: char| c.is_ascii_alphabetic() || c == '_')
        && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
}

fn build(table: &AdapterTable, property: &Arc<Property>) -> Result<Box<dyn Forwarder>, Vec<Fault>> {
    let options: Options = table.decode(EXAMPLE)?;
    let mut checks = Checks::of(table);
    let usual = Usual { batch: 2_000, counting_only: true, may_be_live: false };
    let rules = options.told().rules(&mut checks, property, usual);
    let address = Host::parse(&options.url);
    if let Err(why) = &address {
        let help = "write it like \"http://127.0.0.1:9090/api/v1/write\"";
        checks.fault(&["url"], &format!("the address {why}"), help);
    }
    let named = [&options.ca_file, &options.certificate_file, &options.key_file];
    let files = checks.files(named);
    let tls = address.as_ref().ok().map(|(_, host)| host.tls());
    let trust = tls.and_then(|tls| checks.trust(&files, tls, "https://"));
    let labels = options.labels.clone().unwrap_or_default();
    for name in labels.keys() {
        if !is_label(name) {
            checks.fault(&["labels", name], &format!("`{name}` is no name of a label"), "");
        } else if ["station", "instrument", "statistic", "over", "period"].contains(&name.as_str())
        {
            checks.fault(&["labels", name], &format!("`{name}` is set for every series"), "");
        }
    }
    let mut headers = HeaderMap::new();
    // Prometheus Remote-Write Specification 1.0: these four are asked for.
    headers.insert(CONTENT_ENCODING, HeaderValue::from_static("snappy"));
    headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/x-protobuf"));
    headers.insert(
        USER_AGENT,
        HeaderValue::from_static(concat!("isobarn/", env!("CARGO_PKG_VERSION"))),
    );
    let version = HeaderName::from_static("x-prometheus-remote-write-version");
    headers.insert(version, HeaderValue::from_static("0.1.0"));
    if let Some(token) = checks.secret("token_file", options.token_file.as_ref()) {
        if let Ok(mut value) = HeaderValue::try_from(format!("Bearer {}", token.reveal())) {
            value.set_sensitive(true);
            headers.insert(AUTHORIZATION, value);
        } else {
            checks.fault(&["token_file"], "the secret does not fit into a header", "");
        }
    }
    match address {
        Ok((uri, host)) if checks.faults.is_empty() => {
            Ok(Box::new(RemoteWrite { rules, uri, host, headers, labels, trust }))
        }
        _ => Err(checks.faults),
    }
}
