// Says what the loader thinks of many sets of files, for tests in another language: each line of standard input is the
// files of a request (plan::files_to_json), each line of standard output the list of their faults, [{"file", "pointer",
// "text"}], empty for a plan. The first argument is the date.
#include <iostream>
#include <nlohmann/json.hpp>
#include <string>

#include "plan/loader.hpp"

int main(int count, char** arguments) {
  nightwell::plan::LoadOptions options;
  if (count > 1) options.today = arguments[1];
  for (std::string line; std::getline(std::cin, line);) {
    const auto files = nightwell::plan::files_from_json(nlohmann::json::parse(line));
    if (!files) {
      std::cerr << files.error().text() << "\n";
      return 2;
    }
    nlohmann::json out = nlohmann::json::array();
    const auto loaded = nightwell::plan::load(*files, options);
    if (const auto* faults = std::get_if<std::vector<nightwell::plan::Fault>>(&loaded))
      for (const auto& fault : *faults)
        out.push_back({{"file", fault.file}, {"pointer", fault.pointer}, {"text", nightwell::plan::text(fault)}});
    std::cout << out.dump() << "\n";
  }
}
