//! Safety questions: the usual cautions for work on a running charging system, asked.
//!
//! They restate common service practice with public sources; the vehicle maker's procedure, local rules and licensed
//! practice come first.

/// One safety question; the first option is the right one (the order is drawn later).
#[derive(Debug, Clone, Copy)]
pub(super) struct SafetyQuestion {
    pub text: &'static str,
    /// Code, text, and whether choosing it could hurt someone.
    pub options: [(&'static str, &'static str, bool); 4],
    pub explanation: &'static str,
}

/// The questions that a set draws from.
pub(super) const BANK: [SafetyQuestion; 10] = [
    SafetyQuestion {
        text: "The engine of the sprayer's tractor runs. May the battery be disconnected for a moment to see whether the display changes?",
        options: [
            ("never_running", "No: nothing in the charging circuit is disconnected while the engine runs.", false),
            ("idle_only", "Yes, at idle speed.", true),
            ("negative_only", "Yes, if it is the negative terminal.", true),
            ("with_load", "Yes, with the lamps switched on.", true),
        ],
        explanation: "Without the battery the alternator's field cannot fall at once: the load dump of a 12 V system can reach 100 V for tenths of a second (ISO 16750-2, load dump).",
    },
    SafetyQuestion {
        text: "The engine is off. Is the alternator's output terminal safe to touch with a tool?",
        options: [
            ("live", "No: it is tied to the battery, usually without a fuse, and live with the engine off.", false),
            ("dead", "Yes: without rotation there is no voltage on it.", true),
            ("key_out", "Yes, once the key is out.", true),
            ("earthed_tool", "Yes, if the tool touches the case first.", true),
        ],
        explanation: "A tool or probe that slips from the terminal to the case shorts the battery; the arc burns and throws metal.",
    },
    SafetyQuestion {
        text: "An oscilloscope on mains power is to read the charging post. Where may the earthed clip of its probe go?",
        options: [
            (
                "not_on_post",
                "Not on the post: use a differential or fused probe, rated for more than 100 V transients.",
                false,
            ),
            ("on_post", "On the post, the tip on the case.", true),
            ("either", "On either; the circuit is only 14 V.", true),
            ("on_field", "On the field terminal.", true),
        ],
        explanation: "The clip is tied to earth: on the battery-fed post it is a dead short through the probe's lead.",
    },
    SafetyQuestion {
        text: "What comes off before the probes are laid near belt and fan?",
        options: [
            ("loose_and_metal", "Rings, watch and chains; hair and clothing are tied back, leads kept clear.", false),
            ("gloves_on", "Nothing; thick gloves are put on.", true),
            ("guard_off", "The belt guard, for a better view.", true),
            ("nothing", "Nothing: the probes are insulated.", true),
        ],
        explanation: "Belt and fan catch what is loose; metal at the post becomes the short. Gloves can be drawn in.",
    },
    SafetyQuestion {
        text: "The tractor must run in the shed for the capture. What is needed first?",
        options: [
            ("extraction", "Extraction or open air; parking brake on, neutral, wheels chocked.", false),
            ("short_run", "Nothing, if it runs less than ten minutes.", true),
            ("window", "A window on tilt.", true),
            ("mask", "A dust mask.", true),
        ],
        explanation: "Exhaust builds up within minutes and can kill; a machine that is tested must not be able to move off.",
    },
    SafetyQuestion {
        text: "The same fault is met on a hybrid vehicle with orange cables. What now?",
        options: [
            (
                "leave_to_qualified",
                "Stay off the orange cables; follow the maker's procedure with the licence that local rules ask for.",
                false,
            ),
            ("same_way", "Measure the same way at the orange cables.", true),
            ("switch_off", "Switch off and begin at once: without the key the cables are dead.", true),
            ("one_hand", "Work with one hand in the pocket.", true),
        ],
        explanation: "Above 60 V DC a touch can kill, and parts stay charged after switching off. Many such vehicles have no alternator: their 12 V come from a converter, which has no six pulses.",
    },
    SafetyQuestion {
        text: "The battery has been charging for an hour. The last clamp is to be taken off at its post. What about sparks?",
        options: [
            ("no_sparks", "None near the battery: switch loads off, ventilate, protect the eyes.", false),
            ("harmless", "Harmless: 12 V do not ignite anything.", true),
            ("positive_first", "They do not arise if the positive clamp comes off first.", true),
            ("wet_cloth", "A wet cloth over the vents is enough.", true),
        ],
        explanation: "Charging lead-acid batteries give off hydrogen; a spark at the post can burst the case. A tool from the positive clamp to the body shorts the battery.",
    },
    SafetyQuestion {
        text: "How is the ripple's source switched off to see whether the sensor falls silent?",
        options: [
            (
                "field_by_maker",
                "By taking the field away as the vehicle maker allows: connector unplugged and plugged with the engine off.",
                false,
            ),
            ("output_lead", "By taking the output lead off the running alternator.", true),
            ("short_output", "By shorting the output terminal to the case for a moment.", true),
            ("belt_running", "By levering the belt off while it runs.", true),
        ],
        explanation: "Without field there is no EMF and no load dump. The output lead, the battery and the belt are left alone while the engine runs.",
    },
    SafetyQuestion {
        text: "Before diodes are tested on the bench or in place, what is done?",
        options: [
            (
                "off_and_disconnected",
                "Engine off, battery disconnected (negative first), then the alternator's leads.",
                false,
            ),
            ("engine_idle", "Engine at idle, output lead loosened.", true),
            ("key_only", "Key off; that is enough.", true),
            ("field_only", "Field connector off; the battery may stay.", true),
        ],
        explanation: "The output terminal is battery voltage until the battery is disconnected; the negative clamp first, so that a slip to the body does nothing.",
    },
    SafetyQuestion {
        text: "A yellow connector is in the way of the probe. May it be back-probed?",
        options: [
            (
                "no_restraint",
                "No: yellow marks restraint systems in most vehicles; leave them to the maker's procedure.",
                false,
            ),
            ("quickly", "Yes, if it is done quickly.", true),
            ("high_impedance", "Yes, with a 10 Mohm probe.", true),
            ("engine_off", "Yes, with the engine off.", true),
        ],
        explanation: "A probe's current can fire an airbag or a belt tensioner; they keep their charge after the key is out (common practice, from memory).",
    },
];
