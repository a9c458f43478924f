// Which expressions may stand beside co_await with g++ 12: the shapes that this code base allows, run under the
// sanitizers so that a compiler that breaks one of them is noticed.
//
// Not allowed and not here, because g++ 12.2 compiles them wrongly (destroyed twice) or not at all, all within the
// full expression of a co_await: aggregate temporaries with a non-trivial member (braces, designated or converted into
// a variant), a defaulted aggregate parameter, a lambda that captures a non-trivial value, any initializer_list.
#include <asio/awaitable.hpp>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/io_context.hpp>
#include <catch2/catch.hpp>
#include <functional>
#include <string>
#include <utility>
#include <variant>
#include <vector>

namespace {

// Long enough to live on the heap: a second destruction is a double free that the address sanitizer sees.
const std::string long_text = "a text that is too long for the small-string buffer";

struct Aggregate {
  std::string text;
  int number = 0;
};
struct Trivial {
  int a = 0, b = 0;
};
class WithConstructor {
 public:
  explicit WithConstructor(std::string text) : text_(std::move(text)) {}
  [[nodiscard]] const std::string& text() const { return text_; }

 private:
  std::string text_;
};
using Either = std::variant<std::monostate, Aggregate>;

asio::awaitable<std::size_t> length_of(std::string text) {
  co_return text.size();
}
asio::awaitable<std::size_t> length_in(Aggregate aggregate) {
  co_return aggregate.text.size();
}
asio::awaitable<std::size_t> length_in_either(Either either) {
  co_return std::get<Aggregate>(either).text.size();
}
asio::awaitable<std::size_t> length_of_class(WithConstructor value) {
  co_return value.text().size();
}
asio::awaitable<int> sum_of(Trivial trivial) {
  co_return trivial.a + trivial.b;
}
asio::awaitable<std::size_t> count_of(std::vector<std::string> texts) {
  co_return texts.size();
}
asio::awaitable<std::size_t> called(std::function<std::size_t()> function) {
  co_return function();
}
asio::awaitable<Aggregate> made() {
  Aggregate aggregate;
  aggregate.text = long_text;
  co_return aggregate;
}

std::string value_from_function() {
  return long_text;
}
Aggregate aggregate_from_function() {
  Aggregate aggregate;
  aggregate.text = long_text;
  return aggregate;
}

asio::awaitable<void> run_shapes(int& passed) {
  const auto good = [&passed](bool is) { passed += is ? 1 : 0; };
  const std::size_t size = long_text.size();

  const std::size_t of_function = co_await length_of(value_from_function());
  good(of_function == size);
  const std::size_t of_sum = co_await length_of(long_text + value_from_function());
  good(of_sum == 2 * size);
  const std::size_t of_copy = co_await length_of(long_text);
  good(of_copy == size);
  const std::size_t of_class = co_await length_of_class(WithConstructor(long_text));
  good(of_class == size);
  const std::size_t of_aggregate = co_await length_in(aggregate_from_function());
  good(of_aggregate == size);

  Aggregate named = aggregate_from_function();
  const std::size_t of_moved = co_await length_in(std::move(named));
  good(of_moved == size);
  Either either = aggregate_from_function();
  const std::size_t of_either = co_await length_in_either(std::move(either));
  good(of_either == size);
  Trivial trivial;
  trivial.a = 2;
  trivial.b = 3;
  const int of_trivial = co_await sum_of(trivial);
  good(of_trivial == 5);
  std::vector<std::string> texts{long_text, long_text};
  const std::size_t of_vector = co_await count_of(std::move(texts));
  good(of_vector == 2);

  const std::string outside = long_text;
  std::function<std::size_t()> by_reference = [&outside] { return outside.size(); };
  const std::size_t of_function_object = co_await called(std::move(by_reference));
  good(of_function_object == size);
  const Aggregate result = co_await made();
  good(result.text == long_text);
}

}  // namespace

TEST_CASE("the allowed shapes of co_await expressions keep their values", "[co_await]") {
  asio::io_context io{1};
  int passed = 0;
  asio::co_spawn(io, run_shapes(passed), asio::detached);
  io.run();
  CHECK(passed == 11);
}
