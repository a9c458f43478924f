#include "plan/fault.hpp"

#include "journal/plain_text.hpp"

namespace nightwell::plan {

std::string text(const Fault& fault) {
  std::string out = fault.file.empty() ? "" : fault.file + ": ";
  if (fault.line > 0) out += "line " + std::to_string(fault.line) + ", column " + std::to_string(fault.column) + ": ";
  if (!fault.pointer.empty()) out += fault.pointer + ": ";
  out += "found " + fault.found + ", allowed " + fault.allowed;
  if (!fault.message.empty()) out += "; " + fault.message;
  return journal::printable(out);
}

}  // namespace nightwell::plan
