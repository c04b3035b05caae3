//! Tokens of stations and gateways: what each may present is known by its hash alone.

use crate::fault::{ReadError, WriteError};
use crate::look::Look;
use crate::writer::History;
use observation::Time;
use rusqlite::params;
use std::cell::Cell;

/// A token to be kept. Only its hash is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewToken {
    /// Whether the owner is a gateway; else it is a station.
    pub gateway: bool,
    /// Identifier of the station or gateway.
    pub owner: String,
    /// SHA-256 of the token.
    pub hash: [u8; 32],
    /// When it was made.
    pub created: Time,
}

/// A token as kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Token {
    /// Its number, by which it is revoked.
    pub id: i64,
    /// What it is.
    pub token: NewToken,
    /// When it was revoked, if it was.
    pub revoked: Option<Time>,
}

impl History {
    /// Keeps a token; its number.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn add_token(&mut self, token: &NewToken) -> Result<i64, WriteError> {
        let id = Cell::new(0);
        self.with_ballast(&|c| {
            c.execute(
                "INSERT INTO token (gateway, owner, hash, created) VALUES (?1, ?2, ?3, ?4)",
                params![token.gateway, token.owner, token.hash.as_slice(), token.created.0],
            )?;
            id.set(c.last_insert_rowid());
            Ok(())
        })?;
        Ok(id.get())
    }

    /// Revokes a token; whether there was one to revoke.
    ///
    /// # Errors
    /// See [`WriteError`].
    pub fn revoke_token(&mut self, id: i64, now: Time) -> Result<bool, WriteError> {
        let changed = Cell::new(0);
        self.with_ballast(&|c| {
            changed.set(c.execute(
                "UPDATE token SET revoked = ?2 WHERE id = ?1 AND revoked IS NULL",
                [id, now.0],
            )?);
            Ok(())
        })?;
        Ok(changed.get() > 0)
    }
}

impl Look<'_> {
    /// All tokens, revoked ones included.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn tokens(&self) -> Result<Vec<Token>, ReadError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT id, gateway, owner, hash, created, revoked FROM token ORDER BY id",
        )?;
        let mut rows = statement.query([])?;
        let mut tokens = Vec::new();
        while let Some(row) = rows.next()? {
            let token = NewToken {
                gateway: row.get(1)?,
                owner: row.get(2)?,
                hash: row.get(3)?,
                created: Time(row.get(4)?),
            };
            tokens.push(Token {
                id: row.get(0)?,
                token,
                revoked: row.get::<_, Option<i64>>(5)?.map(Time),
            });
        }
        Ok(tokens)
    }
}
