//! What agents and the supervisor say to each other, sealed.
