//! Device libraries that write to standard error by themselves are told not to, where they can be told.

/// Silences alsa-lib on the calling thread: what it would print comes back as the error of the call anyway.
pub(crate) fn this_thread() {
    #[cfg(target_os = "linux")]
    {
        // If no buffer can be had, its words go to standard error: no harm.
        let _ = alsa::Output::local_error_handler();
    }
    #[cfg(feature = "jack")]
    ::jack::set_logger(::jack::LoggerType::None);
}
