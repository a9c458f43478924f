// Results as text: a table for people, JSON and CSV for programs.
//
// Pure: results in, text out. All text from outside is made harmless for where it goes: a terminal (controls shown as
// escapes), JSON (ASCII), a spreadsheet (cells that would start a formula get an apostrophe in front).
// docs/results.md describes the shapes of JSON and CSV, which do not change within a format version, and what the
// numbers are. No errors.
#pragma once

#include <string>
#include <vector>

#include "results/change.hpp"
#include "results/drift_history.hpp"
#include "results/fit_item.hpp"
#include "results/monte_carlo.hpp"
#include "results/results.hpp"

namespace nightwell::report {

// Lines of at most 100 columns, each ended by LF. Numbers are rounded for reading: 0.1 mK, 10 nV, 10 µΩ, 10 nA.
[[nodiscard]] std::string text(const results::Results& results);

// Every line of every item's budget; a sentence where there are none. At most 100 columns. `u` of a line: its contribution.
[[nodiscard]] std::string budgets(const results::Results& results);

// The GUM's interval of each item's error and the one by Monte Carlo (results/monte_carlo.hpp), side by side, and whether they
// agree by JCGM 101 clause 8. `checks`: one a plateau and item, in their order; an Error's text stands in its place.
[[nodiscard]] std::string monte_carlo(const results::Results& results,
                                      const std::vector<Result<results::MonteCarloCheck>>& checks);

// Two runs of the same items side by side.
[[nodiscard]] std::string changes(const results::Results& earlier, const results::Results& later,
                                  const std::vector<results::Change>& changes);

// One sensor over its certificates: certificates, the changes of each interval, cautions, and the largest drift with the line
// that a lab's budget can take over.
[[nodiscard]] std::string drift_history(const results::DriftHistory& history);
// The same as one object, "format": "nightwell-history/1" (docs/commands.md), with a LF at the end.
[[nodiscard]] std::string drift_history_json(const results::DriftHistory& history);

// Coefficients, residuals and warnings of one item's fit.
[[nodiscard]] std::string fit(const results::Results& results, const results::ItemFit& fit);

// One object, "format": "nightwell-results/1", with a LF at the end. Numbers read back exactly.
[[nodiscard]] std::string json(const results::Results& results);

// RFC 4180, UTF-8, CRLF: a head line, then a line for each plateau and item. Numbers read back exactly.
[[nodiscard]] std::string csv(const results::Results& results);

// What a reader of the numbers has to know before using them, a sentence each; empty for a run without blemish.
// Not yet made harmless for a terminal.
[[nodiscard]] std::vector<std::string> cautions(const results::Results& results);
[[nodiscard]] std::vector<std::string> cautions(const results::DriftHistory& history);

}  // namespace nightwell::report
