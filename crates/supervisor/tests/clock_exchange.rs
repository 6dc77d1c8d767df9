//! The clock exchange over real sockets: the bound holds the truth, whoever of both has transmit stamps.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::disallowed_methods)]

mod exchange;

use base::Span;
use exchange::{Talk, talk};

#[test]
fn two_sockets_on_one_clock_are_found_to_be_on_one_clock() {
    for (agent_stamps, supervisor_stamps) in [(true, true), (true, false), (false, true), (false, false)] {
        let how =
            Talk { agent_stamps, supervisor_stamps, interval: Span::from_millis(2), lasts: Span::from_millis(2_500) };
        let heard = talk(how);
        assert!(!heard.samples.is_empty());
        let inside = heard.samples.iter().filter(|(error, bound)| error.abs() <= *bound).count();
        assert!(
            inside * 100 >= heard.samples.len() * 99,
            "{agent_stamps} {supervisor_stamps}: {inside} of {}",
            heard.samples.len()
        );
        let (all, exact) = heard.exchanges;
        assert!(all > 20, "{all} exchanges");
        if agent_stamps && cfg!(target_os = "linux") {
            assert!(exact * 10 >= all * 7, "{exact} of {all} exchanges had the driver's stamp");
        } else {
            assert_eq!(exact, 0);
        }
    }
}
