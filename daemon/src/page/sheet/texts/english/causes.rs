//! What causes are called and mean, in English: the closed list of [`Cause`] is written in
//! it, for programs and people alike, and is not written a second time. Another language
//! has a `match` over that list here, which the compiler keeps whole.

use crate::page::sheet::texts::CauseWords;
use quality::diagnosis::Cause;

/// The words of a cause.
pub(super) fn words(cause: Cause) -> CauseWords {
    CauseWords {
        name: cause.word().replace('_', " "),
        about: cause.about(),
        cautions: cause.cautions(),
        remedy: cause.remedy(),
    }
}
