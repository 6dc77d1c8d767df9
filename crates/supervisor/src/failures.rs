//! A part of the supervisor that fails is told: what works on would not show it. (What nothing works without begins anew: see
//! `ports::os::vital`.)

/// From now on each panic of this process is told in words, besides being written to the log.
pub fn tell_of_them(tell: impl Fn(String) + Send + Sync + 'static) {
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        before(panic);
        let thread = std::thread::current();
        let name = thread.name().unwrap_or("unnamed");
        tell(format!(
            "A part of the supervisor failed (the thread \"{name}\"): what it did may not be done any more. Its log says where; restart it \
             when the show allows."
        ));
    }));
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;

    #[test]
    fn a_thread_that_fails_is_named() {
        let (to, told) = std::sync::mpsc::channel();
        tell_of_them(move |text| to.send(text).unwrap());
        let fails = std::thread::Builder::new().name("ballast".into()).spawn(|| panic!("it shifted"));
        assert!(fails.unwrap().join().is_err());
        let text = told.recv().unwrap();
        assert!(text.contains("\"ballast\""), "{text}");
        let _ = std::panic::take_hook();
    }
}
