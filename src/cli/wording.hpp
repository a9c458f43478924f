// The text of people's numbers, times and words (journal/wording.hpp), by its short names.
#pragma once

#include "journal/wording.hpp"

namespace nightwell::cli {

using journal::clip;
using journal::duration_text;
using journal::fixed;
using journal::padded;
using journal::shortest;
using journal::shown;
using journal::table;
using journal::utc_text;
using journal::width;
using journal::words;

}  // namespace nightwell::cli
