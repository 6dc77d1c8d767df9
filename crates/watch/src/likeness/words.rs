//! What is so of a channel, in words.

use base::Machine;

use super::Likeness;

impl Likeness {
    /// Whether a person should know.
    pub const fn is_trouble(&self) -> bool {
        !matches!(self, Likeness::Same | Likeness::NeverAlike)
    }

    /// In words: machine `m`'s channel against machine `r`'s.
    pub fn say(&self, m: Machine, r: Machine, channel: &str) -> String {
        match self {
            Likeness::Same => format!("{m}'s `{channel}` sounds like {r}'s."),
            Likeness::Inverted => format!("{m}'s `{channel}` has the other polarity than {r}'s."),
            Likeness::Level(by) => {
                let word = if by.0 < 0.0 { "softer" } else { "louder" };
                format!("{m}'s `{channel}` has become {:.1} dB {word} against {r}'s.", by.abs().0)
            }
            Likeness::Silent => format!("{m}'s `{channel}` is silent where {r}'s is not."),
            Likeness::Alone => format!("{m}'s `{channel}` sounds where {r}'s is silent."),
            Likeness::Other => format!("{m}'s `{channel}` no longer sounds like {r}'s: another mix, or another place."),
            Likeness::Another(name) => {
                format!("{m}'s `{channel}` carries what {r}'s `{name}` does: {name} comes where {channel} should be.")
            }
            Likeness::NeverAlike => {
                format!("{m}'s `{channel}` never sounded like {r}'s: an effect that draws lots, or another bounce.")
            }
        }
    }
}
