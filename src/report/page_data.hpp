// What a page's template is filled with, the report's and the relay's. For .cpp files only: mustache is a large header.
//
// Every text goes in through put(), which shows control characters as escapes; the template escapes it for HTML, in
// {{ }}. Drawings of ours alone go in through put_drawing() and stand in {{{ }}}.
#pragma once

#include <kainjow/mustache.hpp>
#include <optional>
#include <string>
#include <vector>

#include "report/plots.hpp"
#include "results/course.hpp"
#include "results/results.hpp"

namespace nightwell::report {

using PageData = kainjow::mustache::data;

void put(PageData& to, const char* key, const std::string& text);
void put_drawing(PageData& to, const char* key, const std::string& drawing);
// `key`, and "has_" + key: whether it has an entry. Mustache looks a missing key up in the objects around: each entry
// sets all keys that its part of the template names.
void put_list(PageData& to, const std::string& key, const std::vector<PageData>& entries);
// A list of texts, each an entry with `text`.
void put_texts(PageData& to, const std::string& key, const std::vector<std::string>& texts);

// A hyphen in front of a number becomes the minus sign, which no browser breaks a line at.
[[nodiscard]] std::string with_minus(std::string number);
// "-" for an empty text; numbers with so many decimals, "-" where missing, a proper minus sign.
[[nodiscard]] std::string or_dash(const std::string& text);
[[nodiscard]] std::string shown_number(std::optional<double> value, int decimals);
// Four significant digits, for amounts of any size.
[[nodiscard]] std::string shown_amount(double value);
// 2:04:31 of the run.
[[nodiscard]] std::string shown_moment(double at_s);

// The parts of the page.
void put_items(PageData& page, const results::Results& results);
void put_fits(PageData& page, const results::Results& results);
void put_budgets(PageData& page, const results::Results& results);
void put_night(PageData& page, const results::Results& results, const results::Course& course);

}  // namespace nightwell::report
