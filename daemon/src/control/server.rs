//! Answering.

use super::{Request, Word, jobs};
use crate::commands::status;
use crate::engine::Command;
use crate::snapshot::View;
use crate::tokens;
use serde_json::{Value, json};
use std::os::unix::fs::{FileTypeExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader, Take};
use tokio::net::unix::{ReadHalf, WriteHalf};
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{Semaphore, mpsc, oneshot};
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

/// Longest request, in bytes.
const LONGEST_REQUEST: u64 = 64 << 10;
/// How long a question, an answer, and each line of a long one may take.
const PATIENCE: Duration = Duration::from_secs(10);
/// After so long without a new word the last one is said again: the work goes on.
const SILENCE: Duration = Duration::from_secs(4);
/// Longest line behind a request, in bytes, and how many may wait.
const LONGEST_LINE: u64 = 1 << 16;
const LINES: usize = 1_024;
/// Conversations at a time.
const AT_A_TIME: usize = 16;

/// The socket, open.
pub struct Server {
    listener: UnixListener,
    path: PathBuf,
}

/// Opens the socket. Call it only while the history's lock is held: then a socket that
/// lies there belongs to a process that is gone.
///
/// # Errors
/// Why it cannot be opened; the message names it.
pub fn open(path: &Path) -> std::io::Result<Server> {
    let named =
        |e: std::io::Error| std::io::Error::new(e.kind(), format!("{}: {e}", path.display()));
    if let Ok(there) = std::fs::symlink_metadata(path) {
        if !there.file_type().is_socket() {
            return Err(std::io::Error::other(format!(
                "{} is there and no socket",
                path.display()
            )));
        }
        if std::os::unix::net::UnixStream::connect(path).is_ok() {
            return Err(std::io::Error::other(format!("{} is in use", path.display())));
        }
        std::fs::remove_file(path).map_err(named)?;
    }
    let listener = UnixListener::bind(path).map_err(named)?;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o660)).map_err(named)?;
    Ok(Server { listener, path: path.to_owned() })
}

impl Server {
    /// Answers until `stop`, then takes the socket away.
    pub async fn serve(self, view: View, commands: mpsc::Sender<Command>, stop: CancellationToken) {
        let seats = Arc::new(Semaphore::new(AT_A_TIME));
        loop {
            let seat = tokio::select! {
                () = stop.cancelled() => break,
                seat = Arc::clone(&seats).acquire_owned() => seat,
            };
            let accepted = tokio::select! {
                () = stop.cancelled() => break,
                accepted = self.listener.accept() => accepted,
            };
            let Ok((stream, _)) = accepted else {
                tokio::time::sleep(Duration::from_millis(200)).await;
                continue;
            };
            let (view, commands, stop) = (view.clone(), commands.clone(), stop.clone());
            tokio::spawn(async move {
                tokio::select! {
                    () = stop.cancelled() => {}
                    () = converse(stream, &view, &commands) => {}
                }
                drop(seat);
            });
        }
        // Another may have taken the place of a socket that somebody removed.
        drop(std::fs::remove_file(&self.path));
    }
}

async fn converse(mut stream: UnixStream, view: &View, commands: &mpsc::Sender<Command>) {
    let (read, mut write) = stream.split();
    let mut line = String::new();
    let mut reader = BufReader::new(read.take(LONGEST_REQUEST));
    let request = match timeout(PATIENCE, reader.read_line(&mut line)).await {
        Err(_) | Ok(Ok(0)) => return,
        Ok(Ok(_)) => serde_json::from_str::<Request>(&line).map_err(|e| e.to_string()),
        Ok(Err(error)) => Err(error.to_string()),
    };
    let answer = match request {
        Ok(request) if request.command == Word::Reprocess => {
            told(jobs::reprocess(&request, view, commands), &mut write).await;
            return;
        }
        Ok(request) if request.command == Word::Import => {
            let (input, lines) = mpsc::channel(LINES);
            let answer = jobs::import(&request, view, commands, lines);
            let handing_on = async {
                taken(reader, input).await;
                // What was sent last is still to be answered.
                std::future::pending::<()>().await;
            };
            tokio::select! {
                () = told(answer, &mut write) => {}
                () = handing_on => {}
            }
            return;
        }
        Ok(request) => timeout(PATIENCE, answer(&request, view, commands))
            .await
            .unwrap_or_else(|_| Err("the service is busy; try again".to_owned())),
        Err(why) => Err(why),
    };
    said(&mut write, &answer.unwrap_or_else(|error| json!({ "error": error }))).await;
}

/// Tells what a long work says, to its end or until nobody listens: then the work ends at
/// its next word.
async fn told(mut lines: mpsc::Receiver<Value>, write: &mut WriteHalf<'_>) {
    let mut at = json!({ "at": null });
    loop {
        let value = match timeout(SILENCE, lines.recv()).await {
            Ok(None) => return,
            Ok(Some(value)) => value,
            Err(_) => at.clone(),
        };
        if !said(write, &value).await {
            return;
        }
        if let Some(time) = value.get("at") {
            at = json!({ "at": time });
        }
    }
}

/// Hands on the lines behind a request, as far as they are wanted.
async fn taken(mut reader: BufReader<Take<ReadHalf<'_>>>, input: mpsc::Sender<String>) {
    loop {
        let mut line = String::new();
        reader.get_mut().set_limit(LONGEST_LINE);
        match reader.read_line(&mut line).await {
            Ok(count) if count > 0 => {
                if input.send(line).await.is_err() {
                    return;
                }
            }
            _ => return,
        }
    }
}

/// Writes a line; whether it went.
async fn said(write: &mut WriteHalf<'_>, value: &Value) -> bool {
    let mut text = value.to_string();
    text.push('\n');
    matches!(timeout(PATIENCE, write.write_all(text.as_bytes())).await, Ok(Ok(())))
}

async fn answer(
    request: &Request,
    view: &View,
    commands: &mpsc::Sender<Command>,
) -> Result<Value, String> {
    let owner = || match (&request.station, &request.gateway) {
        (Some(station), None) => view
            .settings
            .property
            .station(station)
            .map(|_| (false, station.clone()))
            .ok_or_else(|| format!("the running service has no station `{station}`")),
        (None, Some(gateway)) => view
            .settings
            .property
            .gateways
            .iter()
            .any(|g| g.id == *gateway)
            .then(|| (true, gateway.clone()))
            .ok_or_else(|| format!("the running service has no gateway `{gateway}`")),
        _ => Err("name either a station or a gateway".to_owned()),
    };
    let gone = || "the service is stopping".to_owned();
    match request.command {
        Word::Status => Ok(status::document(view)),
        Word::TokenAdd => {
            let (gateway, owner) = owner()?;
            let (text, token) =
                tokens::make(gateway, &owner, view.clock.now()).map_err(|e| e.to_string())?;
            let (reply, done) = oneshot::channel();
            commands.send(Command::AddToken { token, reply }).await.map_err(|_| gone())?;
            done.await.map_err(|_| gone())??;
            Ok(json!({ "token": text }))
        }
        Word::TokenRevoke => {
            let (gateway, owner) = owner()?;
            let (reply, done) = oneshot::channel();
            commands
                .send(Command::RevokeTokens { gateway, owner, reply })
                .await
                .map_err(|_| gone())?;
            let revoked = done.await.map_err(|_| gone())??;
            Ok(json!({ "revoked": revoked }))
        }
        Word::Reprocess | Word::Import => Err("it is answered in several lines".to_owned()),
    }
}
