//! The judgement: facts, fitness, alarms and the changeover table.
