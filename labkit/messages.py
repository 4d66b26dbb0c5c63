"""
Sentences: every code that a problem, caution, reason or blocker carries, as a person reads it.

A sentence is a template. Its fields take the parameters of the finding; what stands after the colon says how
`labkit.format` writes the number: ``{x_mm:mm}`` a length (also ``µm``, ``in``, ``mil``), ``{u_mm:U}`` an expanded
uncertainty, ``{d_mm:+µm}`` a signed length, ``{share:%}`` a percentage, ``{name:family}`` a curve family, ``{n:.3}``
so many decimals, ``{n:~3}`` so many significant digits. On a page in another unit ``mm`` is written in that unit,
``µm`` and ``U`` in the small one that goes with it. A code ending in ``.hint`` holds the remedy that goes with the
code before it.
"""

from __future__ import annotations

import string
from collections.abc import Mapping, Sequence
from typing import Any, Final

from labkit import format as _format
from labkit.units import LENGTH_UNITS, small_unit

SENTENCES: Final[dict[str, str]] = {
    # ---- numbers ----
    "number.empty": "There is no number.",
    "number.text": "“{typed}” is not a number.",
    "number.ends_in_letter": "“{typed}” is not a number. It ends in the letter {letter}, not a {digit}.",
    "number.ends_in_letter.hint": "If {mended} is meant, write that.",
    "number.letter": "“{typed}” is not a number. It holds the letter {letter} where a {digit} should be.",
    "number.letter.hint": "If {mended} is meant, write that.",
    "number.nan": "“{typed}” is not a number.",
    "number.nan.hint": "Leave the cell empty, or read the shim again.",
    "number.infinite": "“{typed}” is infinite.",
    "number.too_large": "“{typed}” is too large.",
    "number.error_value": "The spreadsheet could not compute this cell: it shows {typed}.",
    "number.error_value.hint": "Type the number in place of the formula.",
    "number.boolean": "“{typed}” is true or false, not a number.",
    "number.formula": "“{typed}” is a formula, not a number.",
    "number.formula.hint": "Save the file with values, or type the number.",
    "number.date": "“{typed}” is a date or a time of day, not a number.",
    "number.date.hint": "Some spreadsheets turn 1.2 into a date: format the column as numbers and type it again.",
    "number.percent": "“{typed}” is a percentage.",
    "number.unit": "“{typed}” has “{word}” behind the number.",
    "number.unit.hint": "Write the unit in the heading, in brackets, and only the number in the cell.",
    "number.separators": "“{typed}” has more points, commas or spaces than a number can have.",
    "number.ambiguous": "“{typed}” can be read as {one} or as {other}.",
    "number.ambiguous.hint": 'Say which is the decimal sign: decimal="," or decimal=".".',
    "number.decimal_sign": "The decimal sign is a point or a comma; it cannot be “{got}”.",
    # ---- tables ----
    "table.empty": "There is nothing in it.",
    "table.heading_only": "There is a heading and no row below it.",
    "table.source": "A table cannot be read from {got}.",
    "table.source.hint": "Give a path, text, bytes, an open file or a data frame.",
    "table.no_such_file": "There is no file {name}.",
    "table.folder": "{name} is a folder, not a file.",
    "table.cannot_open": "{name} cannot be opened.",
    "table.cannot_open.hint": "See whether another program holds it, and whether you may read it.",
    "table.too_large": "It has {megabytes} MB; the limit is {limit} MB.",
    "table.too_many_rows": "It has more than {limit} rows.",
    "table.too_many_columns": "It has more than {limit} columns.",
    "table.more_faults": "{count} more faults are not listed.",
    "table.not_text": "This is neither a text file nor a workbook.",
    "table.not_text.hint": "Save it as CSV or XLSX.",
    "table.old_workbook": "This is an old .xls workbook, or one with a password.",
    "table.old_workbook.hint": "Save it as .xlsx without a password.",
    "table.encoding": "There are bytes here that are no {encoding} text.",
    "table.encoding.hint": "Save it as UTF-8.",
    "table.quotes": "A quoted cell begins here and does not end well.",
    "table.quotes.hint": "Look for a quotation mark too many.",
    "table.long_cell": "There is a cell here of more than 100 000 characters: this is no table.",
    "table.no_heading": "This column has no heading.",
    "table.column_twice": "There are two columns {name}.",
    "table.missing_column": "There is no column {name}.",
    "table.unknown_column": "No column of this name is known.",
    "table.unknown_column.hint": "Known: {known}.",
    "table.like_column": "No column of this name is known. Is it {like}?",
    "table.long_row": "This row has {got} cells; the heading has {expected}.",
    "table.long_row_comma": "This row has {got} cells; the heading has {expected}.",
    "table.long_row_comma.hint": "If the comma is the decimal sign, separate the cells with semicolons.",
    "table.decimal_comma_torn": "The comma seems to be both the decimal sign and between the cells.",
    "table.decimal_comma_torn.hint": "Separate the cells with semicolons, or put numbers in quotation marks.",
    "table.no_length_unit": "{name} has no unit of length.",
    "table.no_length_unit.hint": "Write it in the heading, such as {name} [mm], or give --unit.",
    "table.not_a_length_unit": "“{unit}” is not a unit of length that is read here.",
    "table.not_a_length_unit.hint": "Use mm, µm (um), in or mil.",
    "table.two_units": "“{typed}” is in {word}; the column is in {unit}.",
    "table.two_units.hint": "Write the whole column in one unit.",
    "table.not_a_date": "“{typed}” is not a date that can be read in one way only.",
    "table.not_a_date.hint": "Write year, month, day, such as 2026-03-14.",
    "table.too_thick": "{value_mm:mm} is more than {limit_mm:mm}: no gauge of this kind reads that far.",
    "table.too_thick.hint": "Is the unit right?",
    "table.control_characters": "Characters that cannot be shown were removed.",
    "table.comment_like_reading": "This row begins with # and was skipped, though it looks like a reading.",
    "table.lines_above": "Rows {rows} stand above the heading and were skipped.",
    "table.empty_column": "This column is empty and was skipped.",
    "table.column_skipped": "This column was not read.",
    "table.mixed_decimals": "Some numbers are written with a decimal point and some with a decimal comma.",
    "table.thousands": "“{typed}” was read as {value}, with its digits in groups of three.",
    # ---- workbooks ----
    "workbook.unreadable": "The workbook is damaged, or it is not one.",
    "workbook.unreadable.hint": "Open it and save it again as .xlsx, or save it as CSV.",
    "workbook.not_xlsx": "This is not an .xlsx workbook.",
    "workbook.not_xlsx.hint": "Save it as .xlsx or CSV.",
    "workbook.locked": "The workbook has a password.",
    "workbook.too_large": "Unpacked it has {megabytes} MB; the limit is {limit} MB.",
    "workbook.several_sheets": "Several worksheets hold something: {sheets}.",
    "workbook.several_sheets.hint": "Name the one to read “{wanted}”, or leave only that one.",
    "workbook.merged": "The cells {cells} are merged.",
    "workbook.merged.hint": "Unmerge them, so that each row and column stands for itself.",
    "workbook.formula_without_value": "This cell holds a formula and no computed value.",
    "workbook.formula_without_value.hint": "Open the workbook, let it compute, and save it; or type the number.",
    "workbook.formula": "The values of {count} formulas were taken as they were last computed ({cells}).",
    "workbook.hidden_rows": "Rows are hidden here ({count}); they were read all the same.",
    "workbook.hidden_columns": "Columns {columns} are hidden; they were read all the same.",
    # ---- table of shims ----
    "shims.no_name": "This shim has no name.",
    "shims.long_name": "A name has at most {limit} characters.",
    "shims.reserved_name": "A shim cannot be called “{shim}”.",
    "shims.reserved_name.hint": "“zero” and “background” say that there is no shim, “ + ” joins shims to a stack.",
    "shims.twice": "Shim {shim} stands in row {row} already.",
    "shims.two_values": "Shim {shim} has another certified value in row {row}.",
    "shims.two_values.hint": "Keep the value of the newest certificate.",
    "shims.thickness_not_positive": "A thickness must be above 0.",
    "shims.u_not_positive": "U must be above 0.",
    "shims.u_not_positive.hint": "Leave the cell empty where the certificate states none.",
    "shims.k_not_positive": "k must be above 0.",
    "shims.no_k": "U is given without its k.",
    "shims.no_k.hint": "Add a column k with the coverage factor that the certificate states, often 2.",
    "shims.tolerance_not_positive": "A tolerance must be above 0.",
    "shims.negative_u": "An uncertainty cannot be negative.",
    "shims.shared_above_u": "The shared part of the uncertainty ({shared_mm:mm}) is larger than the whole ({u_mm:mm}).",
    "shims.shared_above_u.hint": "Both are standard uncertainties; U is divided by k before they are compared.",
    "shims.expansion_unit": "“{unit}” is not a unit of expansion that is read here.",
    "shims.expansion_unit.hint": "Use 1/K or ppm/K.",
    "shims.expansion_too_large": "An expansion of {value:~3} per kelvin is too large for any material.",
    "shims.expansion_too_large.hint": "Write 19e-6 under expansion [1/K], or 19 under expansion [ppm/K].",
    "shims.due_before_certified": "It was due on {due}, before it was certified on {on}.",
    "shims.no_certificate": "No certificate number is given for {shims}.",
    "shims.no_u": "No uncertainty is given for {shims}.",
    "shims.large_u": "The uncertainty of {shims} is more than a tenth of the thickness: is its unit right?",
    "shims.no_expansion": "No expansion coefficient is known for the material of {shims}: none was applied.",
    "shims.two_uncertainties": "U was used, not the tolerance.",
    "shims.past_due": "Shim {shim} was due on {due}.",
    # ---- table of readings ----
    "readings.no_unit": "The indications have no unit.",
    "readings.no_unit.hint": "Write it in the heading, such as indication [mm] or indication [counts], or give --unit.",
    "readings.two_units": "Indications are in {one} and in {other}.",
    "readings.two_units.hint": "Write all of them in one unit.",
    "readings.unit_twice": "The heading says {stated} and --unit says {asked}.",
    "readings.unit_not_read": "“{unit}” is not a unit that is read here.",
    "readings.unit_not_read.hint": "Lengths are read in mm, µm (um), in and mil.",
    "readings.like_a_unit": "“{unit}” is not a unit. Is it {like}?",
    "readings.no_shim_column": "Nothing says on which shim the readings were taken.",
    "readings.no_shim_column.hint": "Add a column shim, or a column reference with the thickness.",
    "readings.no_shims": "The readings name shims, and there is no table of shims.",
    "readings.no_shims.hint": "Give --shims, or add a column reference with the thickness.",
    "readings.reference_beside_shims": "There is a table of shims, and the readings name none of them.",
    "readings.reference_beside_shims.hint": "Add a column shim, or leave the table of shims out.",
    "readings.no_shim": "This row names no shim.",
    "readings.no_reference": "There is no reference value.",
    "readings.references_zero": "All references are 0.",
    "readings.references_zero.hint": "Type the certified thickness of each shim.",
    "readings.unknown_shim": "Shim {shim} is not in {set}.",
    "readings.unknown_shim.hint": "Add it to the shims with its certified value, or correct the name.",
    "readings.like_shim": "Shim {shim} is not in {set}. Is it {like}?",
    "readings.stack_twice": "The stack {stack} names one shim twice.",
    "readings.stack_needs_shims": "The stack {stack} needs a table of shims.",
    "readings.unknown_role": "There is no role “{role}”.",
    "readings.unknown_role.hint": "Known: {known}.",
    "readings.like_role": "There is no role “{role}”. Is it {like}?",
    "readings.role_against_shim": "The role {role} does not go with “{shim}”.",
    "readings.computed_row": "This row looks like a {word} that was computed, not like a reading.",
    "readings.computed_row.hint": "Take it out.",
    "readings.negative_reference": "A reference cannot be negative.",
    "readings.two_uncertainties": "The same reference has another U or k in row {row}.",
    "readings.time": "“{typed}” is not a date with a time of day.",
    "readings.time.hint": "Write it such as 2026-11-25T09:17Z.",
    "readings.one_thickness": "All {count} readings to fit are at one thickness, {thickness_mm:mm}.",
    "readings.one_thickness.hint": "Read at least one more shim.",
    "readings.mixed_signs": "{typed} has another sign than most: the others are {more}. Rows of this kind: {count}.",
    "readings.mixed_signs.hint": "Look for a minus sign lost or added, and for leads that were exchanged.",
    "readings.no_reading": "This row holds no reading and was skipped.",
    "readings.left_out": "This row does not count: {reason}.",
    "readings.time_without_zone": "The times name no zone; they were taken as UTC.",
    "readings.reference_differs": "The reference {typed_mm:mm} is not the shim's, {certified_mm:mm}, which was used.",
    "readings.negative_indication": "The indication {typed} on a shim is negative.",
    "readings.unit_suspected": "The indications are {factor:~3} times what the shims say: "
    "were units mixed up ({one}, {other})?",
    "readings.unit_suspected.hint": "Look at the unit of the readings and of the shims.",
    "readings.unit_suspected_row": "{typed} is {factor:~3} times what the shim says: "
    "were units mixed up ({one}, {other})?",
    "readings.repeated_row": "Same shim, value and time as row {row}: entered twice?",
    # ---- particulars (about) ----
    "about.not_toml": "This is not TOML: {why}.",
    "about.not_toml.hint": "Compare it with the example sample_data/about.toml.",
    "about.too_large": "It has more than {limit} kB.",
    "about.unknown_key": "There is no key {key}.",
    "about.unknown_key.hint": "Known there: {known}.",
    "about.like_key": "There is no key {key}. Is it {like}?",
    "about.not_text": "{key} must be text, in quotation marks.",
    "about.not_a_number": "{key} must be a number.",
    "about.not_a_table": "{key} must be a table: [{key}].",
    "about.not_a_list": "{key} must be a list of tables: [[{key}]].",
    "about.not_a_length": '{key} must be a length: a number in mm, or text such as "12 µm".',
    "about.negative": "{key} must not be negative.",
    "about.pair": "{key} must be two lengths, such as [0.25, 2.5].",
    "about.order": "{key}: the first must be below the second.",
    "about.tolerance": '{key} must be a half-width, or a lower and an upper limit; "none" stands for no limit.',
    "about.humidity": "{key} must lie between 0 and 100.",
    "about.background": "{key} must be one of {known}.",
    "about.date": "{key} must be a date such as 2026-03-14.",
    "about.time": "{key} must be a date with a time of day, such as 2026-11-25T09:17Z.",
    "about.zone": "{key}: there is no time zone {zone}.",
    "about.zone.hint": 'Write it such as "Europe/Paris" or "UTC".',
    "about.missing": "{key} is missing.",
    # ---- shims ----
    "shims.unknown": "Shim {shim} is not in {set}.",
    "shims.unknown.hint": "Add it to the shims with its certified value, or correct the name.",
    # ---- sheet ----
    "sheet.typesetting": "The sheet could not be set: {why}",
    "sheet.character": "The sheet cannot print the character {character} in {place}.",
    "sheet.character.hint": "Write it another way.",
    "outcome.pass": "Inside the limit by more than U.",
    "outcome.conditional pass": "Inside the limit, but by less than U. All readings count.",
    "outcome.conditional fail": "Outside the limit, but by less than U. All readings count.",
    "outcome.fail": "Outside the limit by more than U. Do not measure parts.",
    "outcome.fail.binary": "Not inside the limit by the guard band. Do not measure parts.",
    "outcome.pass.binary": "Inside the limit by the guard band.",
    "outcome.pass.simple": "Inside the limit.",
    "outcome.fail.simple": "Outside the limit. Do not measure parts.",
    "rule.simple": "Simple acceptance (JCGM 106:2012, clause 8): pass where the deviation lies inside the limits, fail "
    "elsewhere. U is not part of the decision.",
    "rule.guard-band-U": "Guard band w = U, four outcomes (ILAC-G8:09/2019). Pass: inside the limits by at least U. "
    "Conditional pass: inside, but by less than U. Conditional fail: outside, but by less than U. Fail: outside by "
    "more than U.",
    "rule.guard-band-U.binary": "Guard band w = U, two outcomes (ILAC-G8:09/2019). Pass: inside the limits by at least "
    "U. Fail: everything else.",
    "rule.guard-band-1.65u": "Guard band w = 1.65·u, four outcomes (ISO 14253-1:2017). Pass: inside the limits by at "
    "least w. Conditional pass: inside, but by less. Conditional fail: outside, but by less than w. Fail: outside by "
    "more than w.",
    "rule.guard-band-1.65u.binary": "Guard band w = 1.65·u, two outcomes (ISO 14253-1:2017). Pass: inside the limits by "
    "at least w. Fail: everything else.",
    "safety.magnet": "Strong magnet: keep it away from pacemakers and other implants, and from magnetic cards and "
    "media. Fingers are pinched between the magnet and loose steel.",
    "safety.target": "Small targets can be swallowed and can hurt an eye.",
    "safety.part": "Measure only inert, empty parts: nothing live, under pressure or charged.",
    "safety.groove": "A ball that bridges a groove narrower than itself reads thick, and no minimum reveals it.",
    "safety.rules": "Local rules and the laboratory's accredited procedures come first.",
    # ---- identity, signing, verifying ----
    "identity.no_name": "Whose signing file is it? The name is empty.",
    "identity.long_name": "A name in a certificate holds {limit} characters; this one has {length}.",
    "identity.no_passphrase": "The passphrase is empty.",
    "identity.no_passphrase.hint": "Choose one that nobody guesses: whoever has it can sign.",
    "identity.exists": "{file} exists already and was left as it is.",
    "identity.exists.hint": "Choose another name, or move the old file away.",
    "identity.no_folder": "There is no folder {folder}.",
    "identity.cannot_write": "{file} cannot be written: {why}.",
    "identity.half_authority": "In {folder} only one of {certificate} and {key} is there.",
    "identity.half_authority.hint": "Put the other one back, or move this one away to begin a new authority.",
    "identity.authority": "The authority's certificate and key do not belong together, or one of them is damaged.",
    "passphrase.file": "The passphrase file {file} cannot be read.",
    "passphrase.none": "The signing file needs its passphrase.",
    "passphrase.none.hint": "Name a file with --passphrase-file, set {variable}, or run this at a terminal.",
    "passphrase.differ": "The two passphrases are not the same.",
    "sign.not_a_signing_file": "This is not a signing file (PKCS#12, .p12) with a key and a certificate.",
    "sign.wrong_passphrase": "That passphrase does not open your signing file.",
    "sign.expired": "The certificate in your signing file ended on {until}.",
    "sign.expired.hint": "Ask for a new signing file.",
    "sign.not_yet_valid": "The certificate in your signing file holds from {start} on.",
    "sign.not_yet_valid.hint": "Check the clock of this computer.",
    "sign.not_for_signing": "The certificate in your signing file is not meant for signing documents.",
    "sign.not_a_sheet": "This PDF is not a sheet of ours, so it cannot be signed.",
    "sign.already_signed": "This sheet is signed already.",
    "verify.not_a_pdf": "This is not a PDF, or it is damaged.",
    "verify.no_file": "{file} cannot be read.",
    "verify.large_file": "{file} is larger than {limit_mb} MB: it is no sheet of ours.",
    "verify.encrypted": "This PDF is encrypted and cannot be verified.",
    "verify.trust": "{file} is not a certificate (PEM or DER) that could be trusted.",
    "verify.genuine": "Genuine: signed by {signer}, and unchanged since.",
    "verify.unknown_signer": "Intact, but its signer is not known here: {signer}.",
    "verify.unknown_signer.hint": "Compare the fingerprint by telephone with the laboratory's before you trust it.",
    "verify.changed": "Changed after signing. Do not use it.",
    "verify.added": "Something was added after signing. Do not use it.",
    "verify.signature": "The signature does not belong to this file as it is. Do not use it.",
    "verify.fields": "It does not carry exactly the one signature of a sheet of ours. Do not use it.",
    "verify.unsigned": "Not one of our certificates: nobody signed it.",
    "verify.no_record": "Not one of our certificates: no readable record is attached.",
    "verify.too_large": "Not one of our certificates: what is attached is larger than {limit_mb} MB.",
    "verify.newer": "Intact, but made by a newer labkit ({schema}). Verify it with that one.",
    # ---- indications to correct ----
    "indications.empty": "There is no indication in it.",
    "indications.too_large": "It is larger than {limit} MB.",
    "indications.too_many": "It has {rows} rows; the limit is {limit}.",
    "indications.more_faults": "{count} more rows are no numbers.",
    "indications.which_column": "It has {columns} columns, and none of them alone is headed “indication”.",
    "indications.which_column.hint": "Head the column of the readings “indication”.",
    "indications.other_unit": "The indications are in {stated}; the calibration is for {unit}.",
    # ---- commands ----
    "command.range": "“{typed}” is not a working range.",
    "command.range.hint": "Write the two ends with a colon, such as 0.25:2.5 or 0.25mm:2.5mm.",
    "command.length": "“{typed}” is not a length.",
    "command.length.hint": "Write a number in millimetres, or with its unit, such as 0.01 or 0.4mil.",
    "command.no_file": "There is no file {file}.",
    "command.not_record": "{file} is not a labkit calibration record.",
    "command.cannot_write": "{file} cannot be written: {why}.",
    "command.about_missing": "A signed sheet needs more than was given: {missing}.",
    "command.about_missing.hint": "Add these keys to the file given with --about.",
    "command.sign_needs_sheet": "There is nothing to sign without a sheet.",
    "command.sign_needs_sheet.hint": "Add --sheet FILE.pdf.",
    # ---- points ----
    "points.none": "No reading counts towards the curve.",
    "points.none.hint": "Read contact zero and at least two shims, or count readings that were left out.",
    "points.mixed_signs": "The raw signal changes its sign: {count} of {total} points lie below zero.",
    "points.mixed_signs.hint": "Check the background reading, and that every row is in the same unit.",
    "points.no_repeats": "No shim was read twice, so the repeatability is not known from these data. The budget lacks "
    "its line “Repeatability”.",
    "points.no_repeats.hint": "Enter s, or read one shim again.",
    "points.nothing_known": "No uncertainty is known, of the shims or of the readings: ordinary least squares, and the "
    "residuals are the only measure.",
    "points.ends_only": "Only the ends were read: a curve pinned only at its ends is wrong where parts are measured.",
    "points.ends_only.hint": "Read at least one shim inside the working range.",
    "points.straggler": "{point}, reading {index}, {typed} stands apart from the other {others} ({ratio:.1} times the "
    "usual spread). It is kept until you say otherwise.",
    "points.order_broken": "Shim {shim} is out of order: its readings do not follow its neighbours.",
    "points.order_broken.hint": "Read it again, and compare what is written on it with its certificate.",
    "points.order_swapped": "Shims {shim} and {other} are out of order: they may be swapped.",
    "points.order_swapped.hint": "Read both again, and compare what is written on them with the certificate.",
    "shims.some_without_u": "Some shims have no stated uncertainty: theirs was taken as 0.",
    "shims.without_u": "The shims have no stated uncertainty: it was taken as 0. The budget lacks its line “Shims”.",
    "conditions.no_temperature": "The temperature was not given: 20 °C was assumed.",
    "conditions.resolution_from_digits": "The display step was not given: {step_mm:~2} mm was taken from the digits "
    "that were typed.",
    "conditions.resolution_of_signal": "The display step was not given: {step:~2} {unit} was taken from the digits "
    "that were typed.",
    "background.not_read": "There is no background reading. The budget lacks its line.",
    "background.not_read.hint": "Re-read with no target.",
    "background.moved": "The background moved by {moved:~2} {unit}; the limit is {limit:~2} {unit}.",
    "background.moved.hint": "Look for steel near the bench, then read it again.",
    "closing.not_read": "Nothing was read again at the end: the closing difference is not known.",
    "closing.exceeded": "Closing difference at {point}: {difference_mm:µm}; the limit is {limit_mm:µm}.",
    "closing.exceeded.hint": "The rig drifted. Let it warm up and read again.",
    "curve.range_not_covered": "The working range goes beyond the points, which reach from {low_mm:mm} to "
    "{high_mm:mm}.",
    "curve.range_not_covered.hint": "Read a shim at or beyond the end.",
    "curve.no_flexible": "There are too few points for the flexible curve, so no other curve can be judged by it.",
    "curve.turns": "Through these points the curve would turn: only {share:%} of the curves that fit them do not.",
    "curve.turns.hint": "Read the shims where it turns again.",
    "curve.may_turn": "The points leave room for a curve that turns: {share:%} of those that fit do not.",
    "curve.disagrees": "Points and curve disagree more than their uncertainties allow (χ² {chi2:.1}, limit "
    "{limit:.1}). {shim} lies {off_mm:µm} off.",
    "curve.disagrees.hint": "Read {shim} again, or use the flexible curve.",
    "curve.too_good": "χ²/ν is {ratio:.2}, far below 1: the stated uncertainties look too large.",
    "curve.no_reason": "{family:family} was chosen and no reason is given.",
    "recommend.chosen": "{family:family} was chosen by the user: {why}",
    "check.outside": "Check shim {shim} lies outside the calibrated range and could not be judged.",
    "check.in_fit": "{shim} took part in the fit, so it proves less.",
    "check.shares_master": "{shim} shares a master with shims of the fit: an error of that master would not show.",
    "as_found.no_curve": "As found could not be judged: no curve was in force.",
    "correct.repeats": "The number of readings must be 1 or more; it is {repeats}.",
    # ---- options ----
    "options.working_range": "The upper end of the working range, {high_mm:mm}, must be above {low_mm:mm}, and neither "
    "below 0.",
    "options.tolerance": "The tolerance must be above 0.",
    "options.target_u": "The target U must be above 0.",
    "options.tolerance_pair": "A tolerance is one number or a lower and an upper limit; {got} numbers were given.",
    "options.range_outside": "The working range lies outside the points, which reach from {low_mm:mm} to {high_mm:mm}.",
    "options.range_outside.hint": "Read shims within the working range.",
    "conditions.number": "{name} is {got}: it must be a number, no size below 0, and a display step above 0.",
    "decision.outcomes": "outcomes must be 'two' or 'four'; it is {outcomes}.",
    # ---- budget: what moves the reading, and how it is known ----
    "budget.shims": "Shims",
    "budget.shims.how": "certificates, weighted by the curve",
    "budget.repeats": "Repeatability at the shims",
    "budget.repeats.how": "repeats on the shims, weighted by the curve",
    "budget.between": "The curve between the points",
    "budget.between.how": "fit of {points} points",
    "budget.fit": "The fit",
    "budget.fit.how": "scatter of the points about the curve",
    "budget.model": "The form of the curve",
    "budget.model.how": "difference from the flexible curve",
    "budget.reading": "Repeatability and resolution of the reading",
    "budget.reading.how": "repeats and display step; readings averaged: {n}",
    "budget.temperature": "Temperature of the shims",
    "budget.temperature.how": "u = {u_K:~2} °C",
    "budget.closing": "Drift during the readings",
    "budget.closing.how": "closing difference {closing_mm:+µm}, rectangular",
    "budget.own": "{name}",
    "budget.own.how": "{how}",
    # ---- record ----
    "record.not_one": "This is not a labkit calibration record.",
    "record.newer": "This record was made by a newer labkit ({schema}, labkit {version}).",
    "record.newer.hint": "Use labkit {version} or later.",
    "record.method": "This record was computed by {method}, which this labkit does not know.",
    "record.own_family": "This record used an own curve family, {family}, which is not registered here.",
    "record.broken": "This record is not complete: at {place}, {fault}.",
    "record.broken.hint": "Use the record as labkit wrote it.",
    # ---- the page Calibrate: fields ----
    "field.high": "The upper end must be above {low_mm:.2} mm.",
    "field.temperature": "{t:.1} °C is outside 20 ± {within:.0} °C of this procedure.",
    "field.repeats": "A whole number from 1 to {most}.",
    "field.above_zero": "It must be above 0.",
    "field.time": "“{typed}” is not a time of day. Write it as 09:17.",
    "field.shims_due": "{set} was due on {due}. The sheet will say so, unless you choose another.",
    "tick.clean": "Tip and target are clean: no steel chips",
    "tick.no_steel": "No steel tool or second magnet within 300 mm",
    "tick.shims_ready": "Shims wiped, flat, and an hour at room temperature",
    "tick.steady": "The indication is steady for ten seconds",
    # ---- the page Calibrate: cells ----
    "cell.too_large": "It looks like another unit: {ratio:.1} times what the shim says.",
    "cell.too_large.hint": "Read it again, or keep it if it is right.",
    "cell.too_small": "It looks like another unit: {ratio:.1} times less than the shim says.",
    "cell.too_small.hint": "Read it again, or keep it if it is right.",
    "grid.zero": "Zero",
    "grid.background": "No target",
    "grid.closing": "{name}, closing",
    "grid.zero_remark": "Contact zero: target on the bare tip",
    "grid.left_out": "Left out: {reason}",
    "grid.changed": "Changed {time} UTC by {person}, was {was}.",
    "grid.set_aside": "Set aside: {reason}",
    "grid.bad": "Reading {reading}",
    "grid.apart": "Reading {reading} stands apart",
    "grid.read_again": "Read again: {count} readings count",
    "grid.note": "Readings in {unit}. Usual spread s = {s} from {dof} degrees of freedom.",
    # ---- the page Calibrate: band ----
    "band.gauge": "{gauge}, on the probe",
    "band.nothing": "Nothing",
    "band.background": "No target near",
    "band.zero": "Contact zero",
    "band.shim": "Shim {name}",
    "band.shim_of": "Shim {name}, {x_mm:mm}",
    "band.none_yet": "Nothing taken yet",
    "band.last": "Last taken, {reading} of {wanted}:",
    "band.last_of": "Last taken, {name}, {reading} of {wanted}:",
    "band.next": "Reading {reading} of {wanted} is next.",
    "band.complete": "All rows are complete.",
    "band.begin_background": "Take the target away, let the number settle, and press Enter: the background first, then "
    "contact zero and the two end shims.",
    "band.begin": "Put the target on the bare tip and press Enter: contact zero first, then the lower and the upper end "
    "shim.",
    "band.advice": "Next: {shim}, {x_mm:mm}.",
    "band.lowers": "It lowers U from {before_mm:U} to {after_mm:U}.",
    "band.being_read": "Being read",
    "band.read_it": "Read it",
    "band.stop_here": "Stop here",
    # ---- the page Calibrate: marks ----
    "mark.choose_rig": "Choose a rig",
    "mark.put_right": "{count} to put right",
    "mark.begun": "Begun",
    "mark.done": "Done",
    "mark.not_possible": "Not possible",
    "mark.not_read": "Not read",
    "mark.of": "{done} of {all} read",
    "mark.rows": "{done} of {all} rows",
    "mark.cells": "{count} cells to put right",
    "mark.none_yet": "None yet",
    "mark.apart": "One stands apart",
    "mark.no_curve": "No curve",
    "mark.computing": "Computing",
    "mark.three_points": "Needs three points",
    "mark.turns": "It turns",
    "mark.disagree": "They disagree",
    "mark.on_points": "On {points} points",
    "mark.later": "Later",
    "mark.stopped": "Stopped",
    "mark.target_reached": "Target reached",
    "mark.enough": "Enough",
    "mark.one_advised": "One advised",
    "mark.verdict": "{verdict}",
    "mark.signed": "Certificate {number}",
    "mark.nothing_to_sign": "Nothing to sign",
    "mark.left": "{count} left",
    "mark.sign": "Ready to sign",
    # ---- the page Calibrate: what is left ----
    "left.nothing": "No rig is chosen (section 1), and nothing is read (sections 2, 3 and 6).",
    "left.person": "Nobody is chosen on the cover.",
    "left.identity": "{person} has no signing file. The engineer makes one: labkit identity.",
    "left.shim_set": "No shim set is chosen (section 1).",
    "left.temperature": "The temperature is not given (section 1).",
    "left.as_found": "As found has not been read, and no reason is given (section 2).",
    "left.bad_cell": "{line}, reading {reading}, is not a reading.",
    "left.unfinished": "{line} has {taken} of {wanted} readings (section 3). Finish it or take it out.",
    "left.straggler": "{line}, reading {reading}, stands apart and nobody has decided about it (section 3).",
    "left.computing": "The curve is being computed (section 4).",
    "left.no_curve": "There is no curve yet (section 4).",
    "left.turns": "The curve turns and cannot be used (section 4).",
    "left.no_reason": "You chose {family:family} and gave no reason (section 4).",
    "left.not_recommended": "No curve is recommended. To sign all the same, give the reason (section 4).",
    "left.check_set": "No check shims are chosen (section 1).",
    "left.check_unread": "Check shim {shim} has not been read (section 6).",
    "left.check_unfinished": "Check shim {line} has {taken} of {wanted} readings (section 6).",
    "left.engineer_only": "The check shims say {verdict}: only the engineer may sign, with a reason (section 6).",
    "left.release_reason": "The check shims say {verdict}: write why it is signed all the same (section 6).",
    # ---- the page Calibrate: what was done ----
    "page.no_rig": "Choose a rig first (section 1).",
    "page.other_signal": "These readings are in {got}; the rig shows {unit}.",
    "page.other_signal.hint": "Choose the rig that they belong to, or correct the heading.",
    "page.taken": "{readings} readings in {rows} rows taken.",
    "page.signed": "It is signed: certificate {number}. A signed certificate cannot be changed.",
    "page.no_passphrase": "Type the passphrase of your signing file.",
    "page.blocked": "Something still stands in the way of signing.",
    "page.rests": "After three wrong tries the signing file rests for {seconds} seconds.",
    # ---- recommendation ----
    "recommend.order_broken": "No curve is recommended: the points are out of order.",
    "recommend.no_flexible": "No curve can be recommended yet: there are too few points.",
    "recommend.flexible_turns": "No curve is recommended: through these points it would turn.",
    "recommend.formula": "{family:family} is recommended: it agrees with the points and with the flexible curve over "
    "the whole working range, and needs the fewest parameters.",
    "recommend.no_formula": "Flexible is recommended: no formula agrees with the points over the whole working range.",
    "recommend.too_few_for_formula": "Flexible is recommended: no simpler curve that {points} points can judge agrees "
    "with them.",
    # ---- next point ----
    "next.target_reached": "The target of {target_mm:U} is reached.",
    "next.nothing_at_hand": "No other shim is at hand.",
    "next.no_longer_helps": "Another point no longer helps.",
    "next.out_of_reach": "No shim at hand brings U under {target_mm:U}.",
    "next.read": "Next: {shim}, {x_mm:mm}. It lowers U from {before_mm:U} to {after_mm:U}.",
    "next.read_not_enough": "Next: {shim}, {x_mm:mm}. It lowers U from {before_mm:U} to {after_mm:U}; the target is "
    "{target_mm:U}.",
    "next.widest_gap": "Widest gap, from {low_mm:mm} to {high_mm:mm}.",
    "next.second_gap": "The next widest gap, from {low_mm:mm} to {high_mm:mm}.",
    "next.gap": "Between {low_mm:mm} and {high_mm:mm}.",
    "next.end": "Towards the end of the working range.",
    "next.outside": "Outside the working range.",
    # ---- what a calibration shows ----
    "result.too_few_points": "A curve needs three thicknesses; {count} are read.",
    "result.one_point": "A curve needs three thicknesses; one is read.",
    "result.none_fits": "No curve describes these points within their uncertainties. {shim} lies {off_mm:µm} off every "
    "one: read it again first.",
    "result.no_reason": "{family:family} was chosen: give the reason; it goes on the sheet.",
    "result.turns": "The curve turns inside the range, so that one indication has two thicknesses: it states no U.",
    "result.not_ranked": "Shims cannot be ranked: the uncertainty of the readings is not known.",
    "result.not_ranked_turns": "Shims cannot be ranked: through these points the flexible curve turns.",
    "result.need_more": "Not enough thicknesses for {families}.",
    "result.other_signal": "Not for this kind of indication: {families}.",
    "result.left_out": "{family:family} was left out: {why}",
    "result.budget_title": "What U is made of, at {at}, where it is largest",
    "result.together": "root of the sum of squares; U = {k:.2} × {u}, rounded up",
    "result.through_points": "It goes through the points and has no formula: its knots are the points.",
    "result.no_formula": "It has no formula: it spends {spent:.1} effective parameters on {points} points.",
    "result.flexible": "It has no formula: a trend of degree {degree} in t = ln(1 + x/L), L = {L}, and a smooth "
    "departure from it. On {points} points it spends {spent:.1} effective parameters.",
    "result.departure": "The departure has an amplitude of about {amplitude} and a length of about {length:.2} in t; "
    "both were estimated from the points, and U allows for not knowing them better.",
    "result.correlated": "The parameters depend on one another: U does not follow from their uncertainties alone. "
    "Their covariance is in the data of the sheet.",
    "result.y_error": "x is the thickness in mm, y the error of indication in mm.",
    "result.y_raw": "x is the thickness in mm, y the indication in {unit}.",
    "result.y_log": "x is the thickness in mm, y the natural logarithm of the indication in {unit}.",
    "result.ranked_for": "U is foretold for {repeats} readings of a shim. Once they are in, the curve is fitted again, "
    "and U may come out a little larger.",
    "result.second_reaches": "{shim} after it reaches the target.",
    "result.no_check": "No check shim was read.",
    "result.no_as_found": "As found was not read.",
    "result.no_tolerance": "No tolerance is given, so nothing is decided.",
    "result.no_cautions": "Nothing is doubtful.",
    "result.no_residuals": "A curve through the points leaves no residuals to plot.",
    "result.plots_only": "Plots only below 20 points: a test of normality would prove nothing.",
    "outcome.conditional pass.hint": "Tell your supervisor.",
    # ---- decisions ----
    "decision.no_limits": "There is no limit to decide against.",
    "decision.no_limits.hint": "Give a tolerance.",
    "decision.limits_order": "The lower limit {lower_mm:mm} is not below the upper limit {upper_mm:mm}.",
    "decision.rule": "There is no decision rule {rule}.",
    "decision.not_finite": "A deviation, its uncertainty or a limit is not a number, or the uncertainty is below 0.",
    "decision.rule.hint": "Known: {known}.",
    # ---- names of curve families ----
    "family.line": "Straight line",
    "family.polynomial-2": "Polynomial 2",
    "family.polynomial-3": "Polynomial 3",
    "family.polynomial-4": "Polynomial 4",
    "family.polynomial-5": "Polynomial 5",
    "family.log-polynomial-2": "Log polynomial 2",
    "family.log-polynomial-3": "Log polynomial 3",
    "family.log-polynomial-4": "Log polynomial 4",
    "family.power-law": "Power law",
    "family.power-law-3": "Power law, exponent 3",
    "family.power-law-6": "Power law, exponent 6",
    "family.exponential": "Exponential",
    "family.piecewise-line": "Piecewise line, through the points",
    "family.monotone-cubic": "Monotone cubic, through the points",
    "family.flexible": "Flexible (trend and departure)",
    # ---- curves ----
    "curve.lengths": "{name} has {got} values where {expected} are needed.",
    "curve.not_finite": "{name}, value {index}, is not a number.",
    "curve.not_positive": "{name}, value {index}, must be above 0; it is {value:~4}.",
    "curve.ux_without_uy": "There are uncertainties in x and none in y.",
    "curve.ux_without_uy.hint": "Give uy (or cov_y) as well: the repeatability of the indications.",
    "curve.covariance": "{name} is not a covariance matrix: it must be symmetric and must not be negative.",
    "curve.dependent": "The {columns} columns of the regression depend on one another.",
    "curve.dependent.hint": "Leave one out, or give more observations.",
    "curve.too_few_points": "{family} needs {needed} different thicknesses; there are {got}.",
    "curve.one_thickness": "All readings are at one thickness, {x_mm:mm}: no curve goes through them.",
    "curve.not_for_signal": "{family} does not fit this kind of indication ({signal}).",
    "curve.not_for_negative": "{family} needs indications above 0; value {index} is {value:~4}.",
    "curve.unknown_family": "There is no curve family {name}.",
    "curve.unknown_family.hint": "Known: {known}.",
    "curve.name_taken": "A curve family {name} exists already.",
    "curve.name_taken.hint": "Give it another name, or register(…, replace=True).",
    "curve.no_convergence": "{family} found no solution from these points.",
    "curve.scale": "scale must be 'known' or 'estimated'; it is {got}.",
    "curve.method": "{method} limits are not to be had for {family}.",
    "curve.method.hint": "Use 'wald' or 'monte-carlo'; 'fieller' is for the line.",
    "curve.uy_needed": "The uncertainty of the indication is not known.",
    "curve.uy_needed.hint": "Give uy: the standard uncertainty of the mean of the readings.",
    "curve.fieller_open": "The slope is not known well enough: its limits hold no finite interval.",
    "curve.fieller_open.hint": "Read more points, or points that lie further apart.",
    "curve.outside_range": "{count} of {total} values lie outside what the curve reaches ({low:~6} to {high:~6}).",
    "curve.outside_range.hint": "First at {places}. Calibrate a wider range, or leave them out.",
    "curve.not_monotonic": "{family} turns inside the range: it cannot be used backwards.",
    "curve.not_numbers": "{name} must be numbers, as many in each row.",
    "curve.below_scale": "The flexible curve knows no thickness of {low_mm:mm} and less.",
    "curve.negative_thickness": "Thickness {index} is below 0: {x_mm:mm}.",
    "curve.signal": "signal must be 'raw' or 'thickness'; it is {got}.",
    "curve.outside": "outside must be 'raise' or 'mask'; it is {got}.",
    "curve.level": "The coverage probability must lie between 0 and 1; it is {level}.",
    "curve.known_without_u": "scale is 'known', but no uncertainty is given.",
    "curve.known_without_u.hint": "Give uy (or cov_y), or leave scale out.",
    "curve.no_u": "No uncertainty can be stated: {family:family} leaves no point over, and no uncertainty is known.",
    "curve.no_u.hint": "Read another thickness, or give the uncertainty of the shims.",
    # ---- ledger ----
    "ledger.bad_id": "“{id}” names no draft and no signed result.",
    "ledger.unreadable": "{file} cannot be read: {why}.",
    "ledger.unreadable.hint": "It was left as it is. Put back a copy from the backup, or tell the engineer.",
    "ledger.not_found": "No signed result {wanted} is in the ledger.",
    "ledger.kept_already": "This calibration is in the ledger already, as certificate {number}.",
    "ledger.changed": "Entry {number} is not what was signed. Nothing can be concluded from it.",
    "ledger.changed.hint": "Tell the engineer, and compare it with the backup.",
    "bench.unknown": "No {kind} {name} is registered.",
    "draft.unknown": "There is no draft {id} here.",
    "draft.unknown.hint": "Go back to the first page: it lists the drafts that are not finished.",
    "draft.newer_elsewhere": "This draft was changed in another tab. This page can only be looked at now.",
    "draft.newer_elsewhere.hint": "Open it again to go on with the newer one.",
    # ---- serve and pages ----
    "serve.port_taken": "Port {port} is taken by another program.",
    "serve.port_taken.hint": "Choose another one: labkit serve --port {other}",
    "serve.not_ready": "The dashboards did not start within {seconds} seconds.",
    "serve.not_ready.hint": "What happened is in {log}.",
    "serve.port": "{port} is no port: it must be from 0 to 65535.",
    "serve.not_a_folder": "{path} is not a folder that can be written to.",
    "pages.fault": "Something went wrong here that is not your doing. Your readings are kept. "
    "Tell the engineer: fault {fault}.",
    "lost.text": "The workbook has lost its connection. What you typed up to {saved} is kept. Open it again to go on.",
    "lost.nothing_saved": "The workbook has lost its connection. Open it again to go on.",
    "lost.no_server": "The server does not answer. What was saved is kept. Start it again, and use the address "
    "that it prints.",
    "lost.again": "Open again",
    # ---- reading grid ----
    "grid.band": "Reading band",
    "grid.table": "Readings",
    "grid.on_probe": "{gauge}, on the probe",
    "grid.on_probe_no_gauge": "On the probe",
    "grid.deaf": "Not listening",
    "grid.deaf_why": "The cursor is in another field. Press F8 to take readings.",
    "grid.deaf_next": "Press {key} to take readings.",
    "grid.next_shim": "Next shim: {keys}",
    "grid.tally": "{taken} of {of} readings taken",
    "grid.taking": "Last taken:",
    "grid.typing": "Typed, not taken yet:",
    "grid.holding": "Kept until its place is known:",
    "grid.unsent": "Not confirmed yet: {count}. Kept here, and sent again.",
    "grid.hide_reference": "Hide reference while reading",
    "grid.row_menu": "Row menu",
    "grid.row_menu_of": "Row menu, {label}",
    "grid.reading": "reading {number}",
    "grid.empty": "empty",
    "grid.state_bad": "cannot be read",
    "grid.state_apart": "stands apart",
    "grid.state_out": "left out",
    "grid.state_changed": "changed",
    "grid.said_taken": "{label}, reading {number}: {text} taken.",
    "grid.said_doubtful": "{label}, reading {number}: {text} taken. Look at it.",
    "grid.no_place": "Not taken: {texts}. Choose the next shim first.",
    "grid.nothing_typed": "Nothing is typed yet: first the reading, then Enter.",
    "grid.nothing_on_probe": "Nothing is on the probe. Choose the next shim first.",
    # ---- download, upload, warm-up ----
    "download.busy": "Being made …",
    "download.slow": "No answer yet. Press the button again.",
    "download.nothing": "There is nothing to download yet.",
    "upload.cells": "Paste cells here",
    "upload.cells_name": "The pasted text",
    "upload.take": "Take these cells",
    "upload.choose": "Upload a file",
    "upload.drop": "or drop it here: CSV, TSV, TXT or XLSX, up to {limit} MB.",
    "upload.busy": "{name} is being read …",
    "upload.slow": "No answer yet about {name}. Upload it again.",
    "upload.too_large": "This file has {size} MB; the limit is {limit} MB.",
    "upload.kind": "{name} is not a CSV, TSV, TXT or XLSX file.",
    "upload.several": "One file at a time, please.",
    "upload.no_cells": "Nothing is pasted yet.",
    "warm_up.label": "Warm-up",
    "warm_up.unset": "Enter when the gauge was switched on.",
    "warm_up.later": "{on} is still to come.",
    "warm_up.cold": "Warm in {minutes} min. You may read now; the sheet will say so.",
    "warm_up.warm": "On since {on}, warm since {warm}.",
    "warm_up.minutes": "{minutes} min",
    "warm_up.hours": "{hours} h {minutes} min",
    "warm_up.picture": "On for {minutes} minutes, {needed} needed",
}


class _Writer(string.Formatter):
    """Fills a template, writing every number through `labkit.format`."""

    def __init__(self, unit: str) -> None:
        self._unit = unit

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, Sequence) and not isinstance(value, str):
            return ", ".join(self.format_field(each, format_spec) for each in value)
        match format_spec:
            case "":
                return str(value)
            case "family":
                return family_label(value)
            case "U":
                return _format.expanded_length(value, small_unit(self._unit))
            case "%":
                return _format.percent(value)
            case "mm":
                return _format.length(value, self._unit)
            case "µm":
                return _format.small_length(value, self._unit)
            case "+µm":
                return _format.small_length(value, self._unit, signed=True)
            case unit if unit in LENGTH_UNITS:
                return _format.length(value, unit)
            case signed if signed[:1] == "+" and signed[1:] in LENGTH_UNITS:
                return _format.length(value, signed[1:], signed=True)
            case places if places[:1] == "." and places[1:].isdigit():
                return _format.number(value, int(places[1:]))
            case digits if digits[:1] == "~" and digits[1:].isdigit():
                return _format.significant(value, int(digits[1:]))
        raise ValueError(f"no way to write a number is called {format_spec!r}")


_WRITERS: Final = {unit: _Writer(unit) for unit in LENGTH_UNITS}


def sentence(code: str, params: Mapping[str, Any] | None = None, unit: str = "mm") -> str:
    """
    The sentence for a code.

    Parameters
    ----------
    code : str
        A key of `SENTENCES`.
    params : mapping
        The parameters that the template names. Text in them is inserted as it is; whoever shows the sentence
        escapes it for the place where it is shown.
    unit : str
        One of `labkit.units.LENGTH_UNITS`: that of the page. It does not touch templates that name inches or mils.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        No such code, or a parameter of the template is missing: a fault of the program.
    """
    return _WRITERS[unit].vformat(SENTENCES[code], (), dict(params or {}))


def family_label(name: str) -> str:
    """How a curve family is called on screen and sheet; an engineer's own family by its own name."""
    return SENTENCES.get(f"family.{name}", str(name))


def remedy(code: str, params: Mapping[str, Any] | None = None, unit: str = "mm") -> str | None:
    """
    What to do about `code`, or None where the sentence says it all.
    """
    hint = f"{code}.hint"
    return sentence(hint, params, unit) if hint in SENTENCES else None
