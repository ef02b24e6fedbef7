//! Two folders change places in one step, where the system has it.

use std::path::Path;

/// Exchanges two folders; false where system or file system can't, with nothing changed.
///
/// Linux: renameat2(2) with `RENAME_EXCHANGE`; Apple: renameatx_np(2) with `RENAME_SWAP`.
#[cfg(any(target_os = "linux", target_os = "android", target_vendor = "apple"))]
pub(super) fn exchange(a: &Path, b: &Path) -> bool {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    renameat_with(CWD, a, CWD, b, RenameFlags::EXCHANGE).is_ok()
}

/// Elsewhere there is no such step.
#[cfg(not(any(target_os = "linux", target_os = "android", target_vendor = "apple")))]
pub(super) fn exchange(_: &Path, _: &Path) -> bool {
    false
}
