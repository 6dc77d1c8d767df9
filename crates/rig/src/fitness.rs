//! How good a machine is, always with its reasons.

use arrayvec::ArrayVec;
use serde::{Deserialize, Serialize};

use crate::reasons::{Reason, Sentence};

/// A machine's fitness. The order is that of worth: the worst reason counts.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fitness {
    /// It must not go on air.
    Unfit,
    /// Too little is known.
    #[default]
    Unknown,
    /// It works, with something missing.
    Degraded,
    /// It could be on air.
    Fit,
}

impl Fitness {
    /// Every value.
    pub const ALL: &'static [Fitness] = &[Fitness::Unfit, Fitness::Unknown, Fitness::Degraded, Fitness::Fit];
}

/// The reasons for a fitness, the worst first as far as they fit.
pub type Reasons = ArrayVec<Sentence, 12>;

/// What a reason makes of a machine's fitness.
pub const fn weight(reason: Reason) -> Fitness {
    use Reason as R;
    match reason {
        R::OutOfService
        | R::HostSilent
        | R::AgentLost
        | R::AgentGoodbye
        | R::PlayerGone
        | R::Stalled
        | R::NotRolling
        | R::StartMissed
        | R::AudioCeased
        | R::AudioSilent
        | R::AudioWrong
        | R::SilentWhileOnAirSounds
        | R::OtherSong
        | R::OtherSection
        | R::TooFarApart
        | R::ChannelsShifted
        | R::RateDiffers
        | R::DeviceFellBack
        | R::TooLoud
        | R::TooLoudInEars
        | R::MediaGone => Fitness::Unfit,
        R::NeverHeard | R::ClockUnknown | R::PositionUnknown | R::NothingKnown => Fitness::Unknown,
        R::OnePath
        | R::ClockHoldover
        | R::OutOfStep
        | R::Dropouts
        | R::SourceLost
        | R::OneChannelSilent
        | R::SoundDiffers
        | R::OnBattery
        | R::Hot
        | R::DiskLow => Fitness::Degraded,
        _ => Fitness::Fit,
    }
}

/// Adds a reason, keeping the worst first.
pub(crate) fn push(reasons: &mut Reasons, s: Sentence) {
    if reasons.iter().any(|r| r.reason == s.reason) {
        return;
    }
    let at = reasons.iter().position(|r| weight(r.reason) > weight(s.reason)).unwrap_or(reasons.len());
    if reasons.is_full() {
        if at == reasons.len() {
            return;
        }
        reasons.pop();
    }
    // There is room, as just made sure.
    let _ = reasons.try_insert(at, s);
}

/// The fitness that these reasons make.
pub fn of(reasons: &Reasons) -> Fitness {
    reasons.iter().map(|r| weight(r.reason)).min().unwrap_or(Fitness::Fit)
}
