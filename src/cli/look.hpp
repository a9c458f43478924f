// Reading JSON that may lack anything (journal/look.hpp), by its short names.
#pragma once

#include "cli/wording.hpp"
#include "journal/look.hpp"

namespace nightwell::cli {

using journal::at;
using journal::count_at;
using journal::count_of;
using journal::flag_at;
using journal::list_at;
using journal::number_at;
using journal::raw_text_at;
using journal::text_at;

}  // namespace nightwell::cli
