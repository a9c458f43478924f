// libFuzzer's entry to the plan loader. The first byte says which of the shipped files the rest stands for: profile,
// bench, job, then the cards in the order of their paths. Aborts where a property of plan_property.hpp does not hold.
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <vector>

#include "fuzz/plan_property.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  static const nightwell::plan::InputFiles shipped = nightwell::tests::shipped_files();
  if (size == 0) return 0;
  auto files = shipped;
  std::vector<nightwell::plan::FileText*> all = {&files.profile, &files.bench, &files.job};
  for (auto& [path, card] : files.cards) all.push_back(&card);
  all[data[0] % all.size()]->text.assign(reinterpret_cast<const char*>(data) + 1, size - 1);
  const std::string complaint = nightwell::tests::complaint_about(files);
  if (complaint.empty()) return 0;
  std::fprintf(stderr, "%s\n", complaint.c_str());
  std::abort();
}
