//! What can go wrong before or outside a run, and the exit code it has.

use std::fmt;

/// Exit code of what is ours, or could not be written down.
pub(crate) const INTERNAL: u8 = 1;

/// Exit code of what was typed wrong, or a file that is not what it should be.
pub(crate) const FILE: u8 = 2;

/// Something went wrong; the message says what was being done, what was found and what to do.
#[derive(Debug)]
pub(crate) enum Failure {
    /// Usage, a file, a sheet, the store.
    Usage(String),
    /// The link: no port, nothing of ours on it.
    Link(String),
    /// Ours.
    Internal(String),
}

impl Failure {
    pub(crate) fn exit_code(&self) -> u8 {
        match self {
            Failure::Internal(_) => INTERNAL,
            Failure::Usage(_) => FILE,
            Failure::Link(_) => 5,
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Failure::Usage(message) | Failure::Link(message) | Failure::Internal(message) => {
                f.write_str(message)
            }
        }
    }
}

impl From<stepwell_store::StoreError> for Failure {
    fn from(error: stepwell_store::StoreError) -> Self {
        match error {
            // Nothing is wrong with what was typed.
            stepwell_store::StoreError::Full { .. } => Failure::Internal(error.to_string()),
            _ => Failure::Usage(error.to_string()),
        }
    }
}
