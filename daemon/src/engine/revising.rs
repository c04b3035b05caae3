//! Readings made anew from kept samples, and old records, as the engine writes them.

use super::core::Fatal;
use super::process::Process;
use super::turn::Turn;
use crate::remake;
use history::{Batch, Remade, WriteError};
use observation::{Message, Reading};

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
        let result = remake::apply(&mut self.core.history, &property, day, readings);
        self.appended(result)
    }

    /// Writes messages and readings that the processor is not asked about. What waits is
    /// committed first. The inner error is for whoever asked.
    ///
    /// # Errors
    /// What ends the process.
    pub(super) fn append(
        &mut self,
        mut messages: Vec<Message>,
        readings: &[Reading],
    ) -> Result<Result<(), String>, Fatal> {
        self.settle()?;
        let received = self.timekeeping.received();
        for message in &mut messages {
            message.received = received;
        }
        let batch = Batch {
            received,
            walked: self.core.walked(),
            messages: &messages,
            readings,
            set_aside: &[],
        };
        let result = self.core.history.commit(&batch);
        self.appended(result.map(|_| ()))
    }

    /// Shows the new end of the log, for the deliveries.
    fn appended<T>(&mut self, result: Result<T, WriteError>) -> Result<Result<T, String>, Fatal> {
        match result {
            Err(error) if error.is_final() => Err(Fatal(error.to_string())),
            Err(error) => Ok(Err(error.to_string())),
            Ok(value) => {
                let last = self.core.history.last().map_or(0, |l| l.number);
                self.standing.history.last_number = last;
                self.show();
                Ok(Ok(value))
            }
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
