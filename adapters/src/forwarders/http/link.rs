//! Attempts by HTTP.

use crate::forwarders::client::{Client, Host, verdict};
use crate::forwarders::port::{Link, Piece, Verdict, Verdicts};
use futures_util::future::BoxFuture;
use http_body_util::Full;
use hyper::header::HeaderMap;
use hyper::{Method, Request, Uri};
use rustls::ClientConfig;
use std::sync::Arc;

/// A connection to one receiver.
pub(super) struct HttpLink {
    method: Method,
    headers: HeaderMap,
    client: Client,
}

impl HttpLink {
    pub(super) fn new(
        method: Method,
        headers: HeaderMap,
        trust: Option<Arc<ClientConfig>>,
    ) -> Self {
        Self { method, headers, client: Client::new(trust) }
    }

    async fn one(&mut self, piece: &Piece) -> Verdict {
        let uri: Uri = match piece.place.parse() {
            Ok(uri) => uri,
            Err(error) => return Verdict::refused(0, &format!("the template's address: {error}")),
        };
        let host = match Host::of(&uri) {
            Ok(host) => host,
            Err(why) => return Verdict::refused(0, &format!("the template's address {why}")),
        };
        let mut request = Request::new(Full::new(piece.body.clone()));
        *request.method_mut() = self.method.clone();
        *request.uri_mut() = uri;
        *request.headers_mut() = self.headers.clone();
        match self.client.send(request).await {
            Ok(answer) => verdict(&host, answer),
            Err(reason) => Verdict::later(reason),
        }
    }
}

impl Link for HttpLink {
    fn attempt<'a>(&'a mut self, pieces: &'a [Piece], verdicts: &'a Verdicts) -> BoxFuture<'a, ()> {
        Box::pin(async move {
            for piece in pieces {
                let verdict = self.one(piece).await;
                // A piece that will be split comes before all that is behind it.
                let go_on = match verdict {
                    Verdict::Delivered => true,
                    Verdict::Refused { .. } => piece.readings.len() == 1,
                    Verdict::Paused { .. } | Verdict::Later { .. } => false,
                };
                verdicts.give(verdict);
                if !go_on {
                    break;
                }
            }
        })
    }
}
