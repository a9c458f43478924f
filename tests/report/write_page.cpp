// write_page full|hostile: the page of a night put together by hand, for page_xml_test.py and for looking at it.
#include <cstdio>
#include <string_view>

#include "full_night.hpp"
#include "report/html.hpp"

int main(int count, char** arguments) {
  using namespace nightwell::report;
  auto found = fixture::full_results();
  auto course = fixture::full_course();
  if (count > 1 && std::string_view(arguments[1]) == "hostile")
    fixture::set_every_text(found, course, "]]>&amp;<script>alert(1)</script><!-- \x1b[31m \xb0 {{{run}}} '\"");
  const auto page = html(found, course);
  if (!page) {
    std::fprintf(stderr, "%s\n", page.error().text().c_str());
    return 1;
  }
  std::fwrite(page->data(), 1, page->size(), stdout);
  return 0;
}
