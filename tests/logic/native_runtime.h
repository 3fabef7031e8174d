/* What the C of the tests' native back end calls. A fault is a long jump. */
#include <math.h>
#include <setjmp.h>
#include <stdint.h>
#include <string.h>
static jmp_buf fault;
static int64_t fuel;
static void fail(void) { longjmp(fault, 1); }
static void spend(void) { if (--fuel < 0) fail(); }
static int64_t divide(int64_t a, int64_t b) { if (b == 0) fail(); return b == -1 ? -a : a / b; }
static uint64_t udivide(uint64_t a, uint64_t b) { if (b == 0) fail(); return a / b; }
static int64_t modulo(int64_t a, int64_t b) { return b == 0 || b == -1 ? 0 : a % b; }
static uint64_t umodulo(uint64_t a, uint64_t b) { return b == 0 ? 0 : a % b; }
static double nonzero(double b) { if (b == 0) fail(); return b; }
static int64_t check(int64_t i, int64_t low, int64_t high)
{ if (i < low || i > high) fail(); return i - low; }
static int64_t within(int64_t i, int64_t low, int64_t high)
{ if (i < low || i > high) fail(); return i; }
static uint64_t whole(double x)
{
    if (!isfinite(x)) fail();
    x = fmod(x, 18446744073709551616.0);
    return x < 0 ? -(uint64_t)-x : (uint64_t)x;
}
static uint64_t power(uint64_t base, int64_t exponent, int odd)
{
    uint64_t result = 1;
    if (exponent < 0) {
        if (base == 0) fail();
        if (base == 1) return 1;
        return odd && base + 1 == 0 ? (exponent & 1 ? -1 : 1) : 0;
    }
    for (; exponent; exponent >>= 1, base *= base) if (exponent & 1) result *= base;
    return result;
}
static double raised(double base, double exponent)
{
    if (base == 0 && exponent < 0) fail();
    if (base < 0 && isfinite(base) && isfinite(exponent) && exponent != floor(exponent)) fail();
    return pow(base, exponent);
}
static double root(double x) { if (x < 0) fail(); return sqrt(x); }
static double defined(double x, double given) { if (isnan(x) && !isnan(given)) fail(); return x; }
static double logarithm(double x, double found) { if (x <= 0) fail(); return found; }
static uint64_t shifted(uint64_t x, int64_t n, int bits, int right)
{
    if (n < 0) fail();
    if (n >= bits) return 0;
    return right ? x >> n : (x << n) & (~0ull >> (64 - bits));
}
static uint64_t rotated(uint64_t x, int64_t n, int bits)
{
    n = (n % bits + bits) % bits;
    return n ? ((x << n) | (x >> (bits - n))) & (~0ull >> (64 - bits)) : x;
}
static uint64_t to_bcd(int64_t x, int digits)
{
    uint64_t out = 0;
    if (x < 0) fail();
    for (int i = 0; i < digits; i++, x /= 10) out |= (uint64_t)(x % 10) << (4 * i);
    if (x) fail();
    return out;
}
static uint64_t from_bcd(uint64_t x)
{
    uint64_t out = 0, scale = 1;
    for (; x; x >>= 4, scale *= 10) { if ((x & 15) > 9) fail(); out += (x & 15) * scale; }
    return out;
}
static int is_bcd(uint64_t x) { for (; x; x >>= 4) if ((x & 15) > 9) return 0; return 1; }
static uint64_t swapped(uint64_t x, int bits)
{
    uint64_t out = 0;
    for (int i = 0; i < bits; i += 8) out = out << 8 | (x >> i & 255);
    return out;
}
static float real_of(uint32_t x) { float y; memcpy(&y, &x, 4); return y; }
static uint32_t of_real(float x) { uint32_t y; memcpy(&y, &x, 4); return y; }
static double lreal_of(uint64_t x) { double y; memcpy(&y, &x, 8); return y; }
static uint64_t of_lreal(double x) { uint64_t y; memcpy(&y, &x, 8); return y; }

/* Texts: characters by number, counted. Longer ones than the room here are a fault. */
enum { ROOM = 600 };
struct text { int32_t n; uint32_t at[ROOM]; };
static struct text text_of(int n, const uint32_t *at)
{
    struct text t = {n};
    if (n > ROOM) fail();
    memcpy(t.at, at, n * sizeof *at);
    return t;
}
static struct text part(struct text t, int64_t from, int64_t n)
{
    if (from > t.n) return text_of(0, t.at);
    return text_of(n < t.n - from ? n : t.n - from, t.at + from);
}
static struct text joined(struct text a, struct text b)
{
    if (a.n + b.n > ROOM) fail();
    memcpy(a.at + a.n, b.at, b.n * sizeof *b.at);
    a.n += b.n;
    return a;
}
static void positive(int64_t p, int64_t n) { if (p < 1 || n < 0) fail(); }
static struct text text_left(struct text t, int64_t n) { positive(1, n); return part(t, 0, n); }
static struct text text_right(struct text t, int64_t n)
{ positive(1, n); return n < t.n ? part(t, t.n - n, n) : t; }
static struct text text_mid(struct text t, int64_t n, int64_t p)
{ positive(p, n); return part(t, p - 1, n); }
static struct text text_replace(struct text t, struct text u, int64_t n, int64_t p)
{
    positive(p, n);
    struct text rest = n > t.n || p - 1 + n > t.n ? text_of(0, t.at) : part(t, p - 1 + n, t.n);
    return joined(joined(part(t, 0, p - 1), u), rest);
}
static struct text text_delete(struct text t, int64_t n, int64_t p)
{ return text_replace(t, text_of(0, t.at), n, p); }
static struct text text_insert(struct text t, struct text u, int64_t p)
{ return text_replace(t, u, 0, p + 1); }
static int64_t text_find(struct text t, struct text u)
{
    for (int i = 0; i + u.n <= t.n; i++)
        if (!memcmp(t.at + i, u.at, u.n * sizeof *u.at)) return i + 1;
    return 0;
}
static int compared(struct text t, struct text u)
{
    for (int i = 0; i < t.n && i < u.n; i++)
        if (t.at[i] != u.at[i]) return t.at[i] < u.at[i] ? -1 : 1;
    return t.n < u.n ? -1 : t.n > u.n;
}
static struct text shortened(struct text t, int limit) { if (t.n > limit) fail(); return t; }
static uint32_t text_at(struct text t, int64_t p, int limit)
{ if (p < 1 || p > limit) fail(); return p <= t.n ? t.at[p - 1] : 0; }
static struct text text_with(struct text t, int64_t p, uint32_t c, int limit)
{
    if (p < 1 || p > limit || p > t.n + 1) fail();
    t.at[p - 1] = c;
    if (p > t.n) t.n = p;
    return t;
}
static struct text text_of_number(int64_t x, int wide)
{
    uint64_t rest = !wide && x < 0 ? -(uint64_t)x : (uint64_t)x;
    uint32_t digits[24];
    int n = 24;
    do { digits[--n] = '0' + rest % 10; rest /= 10; } while (rest);
    if (!wide && x < 0) digits[--n] = '-';
    return text_of(24 - n, digits + n);
}
static struct text text_of_truth(int x)
{
    static const uint32_t yes[] = {'T', 'R', 'U', 'E'}, no[] = {'F', 'A', 'L', 'S', 'E'};
    return x ? text_of(4, yes) : text_of(5, no);
}
static int64_t marked(const struct text *t)
{
    uint64_t hash = 14695981039346656037ull;
    for (int i = 0; i < t->n; i++) hash = (hash ^ t->at[i]) * 1099511628211ull;
    return hash;
}
