// The record of a run as one HTML page that needs nothing else: docs/report.md says what is in it and why.
//
// Pure: results and course of one journal in, text out; the same journal gives the same page. Text from outside is HTML
// escaped, its control characters shown as escapes (journal/plain_text.hpp). Well-formed XML as well.
// Errors: unexpected (the built-in template is wrong: a mistake of ours).
#pragma once

#include <string>

#include "nightwell/result.hpp"
#include "results/course.hpp"
#include "results/results.hpp"

namespace nightwell::report {

Result<std::string> html(const results::Results& results, const results::Course& course);

}  // namespace nightwell::report
