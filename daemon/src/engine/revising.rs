//! Readings made anew from kept samples, as the engine writes them.

use super::core::Fatal;
use super::process::Process;
use super::turn::Turn;
use crate::remake;
use history::{Remade, WriteError};
use observation::Reading;

impl<P: Process> Turn<P> {
    /// Replaces what differs of a UTC day. What waits is committed first: its records
    /// were promised the next log numbers. The inner error is for whoever asked.
    ///
    /// # Errors
    /// What ends the process.
    pub(super) fn revise(
        &mut self,
        day: i64,
        readings: &[Reading],
    ) -> Result<Result<Remade, String>, Fatal> {
        self.settle()?;
        let property = self.standing.property();
        match remake::apply(&mut self.core.history, &property, day, readings) {
            Err(error @ WriteError::Sync(_)) => Err(Fatal(error.to_string())),
            result => Ok(result.map_err(|e| e.to_string())),
        }
    }

    /// Makes the processor and what is shown anew from what stands in the history, so
    /// that neither goes on with readings that were replaced.
    ///
    /// # Errors
    /// What ends the process.
    pub(super) fn begin_again(&mut self) -> Result<Result<(), String>, Fatal> {
        self.settle()?;
        let result = self.core.begin_again().and_then(|()| {
            self.standing.keep_rain(&self.rain);
            self.rain = self.standing.rain_of(&self.core.processor);
            self.standing.restore(self.core.history.look())
        });
        self.show();
        Ok(result.map_err(|e| e.to_string()))
    }
}
