"""Rules whose smallest case needs more than one file or one package: where they are tested."""

from __future__ import annotations

TESTS = {
    "placement/off-pads": "checks/test_placed.py::test_a_slip_is_found",
    "placement/mirrored": "checks/test_placed.py::test_a_slip_is_found",
    "placement/other-side": "checks/test_placed.py::test_a_slip_is_found",
    "placement/turned": "checks/test_placed.py::test_a_slip_is_found",
    "placement/part-missing": "checks/test_placed.py::test_a_slip_is_found",
    "placement/part-unknown": "checks/test_placed.py::test_a_slip_is_found",
    "partslist/part-missing": "checks/test_placed.py::test_a_slip_is_found",
    "partslist/value-missing": "checks/test_placed.py::test_a_slip_is_found",
    "net/diode-reversed": "checks/test_placed.py::test_a_slip_is_found",
    "partslist/part-unknown": (
        "checks/test_placed.py::test_a_list_of_another_revision_names_a_part_without_pads"
    ),
    "package/too-heavy": ("checks/test_framework_running.py::test_what_is_too_heavy_is_no_pass"),
    "register/bare-holes-off": (
        "checks/test_misplaced.py::test_mirrored_bare_holes_are_named_with_their_file"
    ),
    "profile/misplaced": ("checks/test_misplaced.py::test_an_outline_that_does_not_hold_the_board"),
    "package/missing-legend": (
        "package/test_package_roles.py::test_one_face_alone_lacks_a_layer_that_others_have"
    ),
    "profile/line-across": "board/test_lines_across.py::test_a_line_through_the_board_is_found",
    "mask/opening-shared": "checks/test_mask_rules.py::test_a_slip_is_found_at_its_place",
    "copper/pad-missing": (
        "checks/test_lonely_pads.py::test_a_pad_that_one_of_equal_parts_lacks_is_found_where_it_was"
    ),
    "mask/paste-small": (
        "checks/test_paste.py::test_prints_much_smaller_or_larger_than_their_pads"
    ),
    "mask/paste-large": (
        "checks/test_paste.py::test_prints_much_smaller_or_larger_than_their_pads"
    ),
    "mask/paste-missing": "checks/test_mask_rules.py::test_a_slip_is_found_at_its_place",
    "package/same-image": (
        "checks/test_mask_rules.py::test_the_copper_written_into_the_mask_is_one_image"
    ),
    "legend/out-of-place": "checks/test_legend_rules.py::test_shifted_legend_is_out_of_place",
    "package/plating-unknown": "checks/test_framework_package.py::test_unknown_plating",
    "gerber/limit": "formats/gerber/test_gerber_language.py::test_objects_are_limited",
    "drill/too-many-objects": (
        "formats/drill/test_drill_reading.py::test_repeats_are_counted_before_they_are_made"
    ),
    "drill/file-too-large": "formats/drill/test_drill_reading.py::test_file_beyond_its_limit",
    "drill/format-given": "formats/drill/test_drill_reading.py::test_format_can_be_given",
    "drill/format-inferred": "formats/drill/test_drill_inference.py::test_worked_case_is_resolved",
    "drill/format-unresolved": (
        "formats/drill/test_drill_inference.py::test_without_a_board_it_stays_open"
    ),
    "drill/format-misfit": (
        "formats/drill/test_drill_inference.py::test_stated_format_that_misses_the_board_gives_way"
    ),
    "drill/work-zero-misfit": (
        "formats/drill/test_drill_inference.py::test_work_zero_that_does_not_fit"
    ),
    "drill/format-from-sibling": (
        "formats/drill/test_drill_inference.py::test_sibling_settles_what_the_board_does_not"
    ),
    "drill/drawn-holes": "formats/drill/test_drill_from_gerber.py::test_what_is_no_hole_is_told",
    "package/low-confidence": (
        "package/test_package_roles.py::test_content_speaks_when_nothing_else_does"
    ),
    "package/content-disagrees": (
        "package/test_package_sources.py::test_masks_whose_content_is_exchanged"
    ),
    "register/stretched": (
        "package/test_package_registration.py::test_a_stretched_file_is_named_with_its_scale"
    ),
    "register/other-unit": "package/test_package_registration.py::test_a_layer_in_the_wrong_unit",
    "package/archive-beside": (
        "package/test_package_choosing.py::test_archive_beside_layers_is_left_out"
    ),
    "profile/frame": "board/test_board_build.py::test_frame_around_the_board_is_not_the_board",
    "cost/panel": "board/test_edge_truth.py::test_quote_counts_the_boards_of_a_panel",
    "profile/slot-drawn": "board/test_edge.py::test_slot_drawn_with_a_wide_pen",
    "profile/two-readings": "board/test_edge.py::test_frame_far_around_is_no_panel",
    "profile/panel": "board/test_edge.py::test_score_lines_across_the_profile",
    "profile/too-small": "board/test_edge.py::test_stray_loop_is_not_the_board",
    "profile/inferred": "board/test_board_build.py::test_outline_from_another_layer",
    "board/placement-unit": (
        "board/test_board_build.py::test_unit_of_a_table_is_judged_by_the_board"
    ),
    "board/placement-origin": (
        "board/test_board_build.py::test_components_from_a_table_with_another_origin"
    ),
    "order/colour-not-offered": "checks/test_framework_package.py::test_choices",
    "order/finish-not-offered": "checks/test_framework_package.py::test_choices",
    "order/copper-not-offered": "checks/test_framework_package.py::test_choices",
    "order/note-differs": "checks/test_framework_package.py::test_notes_on_the_order",
    "order/note": "checks/test_framework_package.py::test_notes_on_the_order",
    "order/finish-with-lead": "checks/test_framework_package.py::test_choices",
    "hole/slot-turned": (
        "checks/test_holes_missing.py::test_one_slot_across_the_direction_of_its_equals"
    ),
    "hole/post-narrow": (
        "checks/test_holes_missing.py::test_a_middle_hole_too_narrow_for_the_post_of_its_switch"
    ),
    "profile/cut-in-pads": (
        "checks/test_geometry_rules.py::test_slot_of_a_pad_drawn_in_the_profile_is_to_be_plated"
    ),
    "half/reversible": ("checks/test_planted_defects.py::test_reversible_demo_is_known_as_such"),
    "board/outline-routed": (
        "checks/test_geometry_rules.py::test_outline_routed_by_the_drill_file_is_no_slot"
    ),
    "copper/outline-drawn": "checks/test_geometry_rules.py::test_outline_drawn_in_a_copper_layer",
    "copper/rim-thin": "checks/test_geometry_rules.py::test_rim_round_a_bare_hole_is_told_once",
    "copper/acid-trap": "checks/test_geometry_rules.py::test_acute_corner_between_tracks",
    "copper/score-near": "checks/test_geometry_rules.py::test_copper_beside_a_score_line",
    "copper/score-cut": "checks/test_geometry_rules.py::test_copper_across_a_score_line",
    "mask/cover-thin": (
        "checks/test_geometry_rules.py::test_mask_between_an_opening_and_foreign_copper"
    ),
    "hole/inner-copper-near": (
        "checks/test_geometry_rules.py::test_foreign_inner_copper_beside_a_plated_hole"
    ),
    "half/contradicted": "checks/test_half_count.py::test_a_word_that_the_files_contradict_is_told",
    "parts/choice": "parts/test_parts_remarks.py::test_a_place_that_takes_either_is_counted_once",
    "parts/incomplete": "parts/test_parts_remarks.py::test_a_list_says_what_it_lacks",
    "half/pair": "checks/test_pair_of_halves.py::test_mirrored_halves_are_a_pair",
    "half/pair-unrelated": "checks/test_pair_of_halves.py::test_another_board_is_no_pair",
    "half/pair-lacks": ("checks/test_pair_of_halves.py::test_a_key_left_out_on_one_half_is_placed"),
    "half/pair-outline": "checks/test_pair_of_halves.py::test_outlines_are_compared_mirrored",
    "parts/conflict": "parts/test_parts_bill.py::test_missing_socket_is_a_conflict",
    "parts/unknown-part": "parts/test_parts_bill.py::test_unpriced_and_unknown_parts_are_reported",
    "parts/no-price": "parts/test_parts_bill.py::test_unpriced_and_unknown_parts_are_reported",
    "parts/uneven-faces": "parts/test_parts_bill.py::test_uneven_faces_are_reported",
    "parts/uneven-halves": "parts/test_parts_bill.py::test_pair_of_different_boards",
    "parts/none-found": "parts/test_parts_bill.py::test_empty_board_says_that_nothing_was_found",
    "cost/card-old": "costs/test_costs_quote.py::test_old_prices_are_told",
    "cost/invented": "costs/test_costs_quote.py::test_invented_prices_are_told",
    "cost/not-offered": "costs/test_costs_quote.py::test_option_not_offered",
    "cost/no-price": "costs/test_costs_quote.py::test_board_larger_than_every_tier",
    "cost/near-tier": "costs/test_costs_quote.py::test_just_over_a_tier_is_told",
    "cost/quantity-not-allowed": (
        "costs/test_costs_quote.py::test_quantity_the_house_does_not_take"
    ),
    "cost/more-costs-less": "costs/test_costs_quote.py::test_more_boards_may_cost_less",
    "cost/tax-empty": "costs/test_costs_quote.py::test_empty_tax_is_told",
    "cost/no-exchange-rate": "costs/test_costs_quote.py::test_exchange_rate",
    "wiring/same-row-column": "wiring/test_wiring_findings.py::test_planted",
    "wiring/copper-open": "wiring/test_wiring_findings.py::test_planted",
    "wiring/key-without-pin": "wiring/test_wiring_findings.py::test_planted",
    "wiring/pin-twice": "wiring/test_wiring_findings.py::test_planted",
    "wiring/ground-pin": "wiring/test_wiring_findings.py::test_planted",
    "wiring/battery-pin": "wiring/test_wiring_findings.py::test_planted",
    "wiring/key-on-power-pin": "wiring/test_wiring_findings.py::test_planted",
    "wiring/diode-direction": "wiring/test_wiring_findings.py::test_planted",
    "wiring/no-diode": "wiring/test_wiring_findings.py::test_planted",
    "wiring/contacts-unclear": "wiring/test_wiring_findings.py::test_planted",
    "wiring/pin-two-keys": "wiring/test_wiring_findings.py::test_two_keys_on_one_pin",
    "wiring/cathode-assumed": "wiring/test_wiring_findings.py::test_cathode_taken_for_pin_1",
    "wiring/no-scheme": "wiring/test_wiring_findings.py::test_neither_direct_nor_rows_and_columns",
    "wiring/halves-differ": "wiring/test_wiring_findings.py::test_rows_of_the_controller_swapped",
    "wiring/pins-unknown": "wiring/test_wiring_findings.py::test_nothing_names_pins",
    "wiring/diodes-inferred": ("wiring/test_wiring_tables.py::test_diodes_found_by_copper_alone"),
    "wiring/no-keys": "wiring/test_wiring_findings.py::test_no_keys",
    "wiring/half-unknown": (
        "wiring/test_wiring_firmware.py::test_nothing_known_of_a_half_is_an_error"
    ),
    "placement/no-table": (
        "formats/sidecars/test_sidecars_tables.py::test_files_without_a_table_say_so"
    ),
    "partslist/no-table": (
        "formats/sidecars/test_sidecars_tables.py::test_files_without_a_table_say_so"
    ),
    "parts/keys-unknown": "parts/test_parts_bill.py::test_keys_that_nothing_marks_are_reported",
    "parts/unknown-pattern": (
        "parts/test_parts_bill.py::test_pattern_that_the_catalogue_lacks_is_reported"
    ),
    "cost/small-drill": "costs/test_costs_remarks.py::test_surcharges_that_few_features_cause",
    "cost/fine-track": "costs/test_costs_remarks.py::test_surcharges_that_few_features_cause",
    "cost/near-band": "costs/test_costs_remarks.py::test_parcels_near_and_beyond_a_band",
    "cost/split-parcel": "costs/test_costs_remarks.py::test_parcels_near_and_beyond_a_band",
    "cost/lithium": "costs/test_costs_remarks.py::test_lithium_cells_are_told",
    "cost/parts-unpriced": "costs/test_costs_remarks.py::test_parts_without_a_price",
    "cost/not-enough": "costs/test_costs_remarks.py::test_quantity_that_gives_too_few_halves",
    "thickness/soft": "checks/test_half_rules.py::test_board_that_gives_way_under_a_key",
    "half/no-counterpart": "checks/test_half_rules.py::test_hole_that_has_no_mirror_image",
    "half/key-one-face": "checks/test_half_rules.py::test_key_whose_pad_is_covered_on_one_face",
    "half/key-lands": "checks/test_half_rules.py::test_key_whose_lands_are_on_the_other_face",
    "half/key-dead": (
        "checks/test_half_rules.py::test_contacts_that_reach_other_copper_when_turned_over"
    ),
    "half/key-nets": (
        "checks/test_half_rules.py::test_contacts_that_reach_other_copper_when_turned_over"
    ),
    "legend/plus-at-minus": "checks/test_half_rules.py::test_plus_at_the_minus_pad",
    "half/battery-marks": "checks/test_half_rules.py::test_battery_pads_that_swap_but_are_marked",
    "half/header-rows": "checks/test_half_rules.py::test_rows_of_a_controller_that_change_places",
    "half/legend-one-face": "checks/test_half_rules.py::test_legend_on_one_face",
    "compare/unexpected": "compare/test_compare_expect.py::test_what_is_not_in_the_file_is_found",
    "compare/missing": (
        "compare/test_compare_expect.py::test_what_is_expected_but_absent_is_found"
    ),
}
