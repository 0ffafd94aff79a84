#include "taut/time.h"

#include <stdbool.h>
#include <string.h>

#include "taut/units.h"

enum { SECONDS_PER_DAY = 86400, DAYS_PER_400_YEARS = 146097 };

/* First and last year that int64 nanoseconds since 1970 hold completely are 1678 and 2261. */
enum { FIRST_YEAR = 1678, LAST_YEAR = 2261 };

/* Counting years from 1 March puts the leap day last, so that day-of-year and month follow one straight rule.
 * Days before the month that is m months after March: (153 m + 2) / 5. */
static int64_t days_from_date(int64_t year, int month, int day)
{
    int64_t y = month <= 2 ? year - 1 : year;
    int months_after_march = (month + 9) % 12;
    int64_t era = (y >= 0 ? y : y - 399) / 400;
    int64_t of_era = y - era * 400;
    int64_t day_of_year = (153 * months_after_march + 2) / 5 + day - 1;
    return era * DAYS_PER_400_YEARS + of_era * 365 + of_era / 4 - of_era / 100 + day_of_year - 719468;
}

static void date_from_days(int64_t days, int *year, int *month, int *day)
{
    int64_t d = days + 719468;
    int64_t era = (d >= 0 ? d : d - DAYS_PER_400_YEARS + 1) / DAYS_PER_400_YEARS;
    int64_t of_era = d - era * DAYS_PER_400_YEARS;
    int64_t y = (of_era - of_era / 1460 + of_era / 36524 - of_era / (DAYS_PER_400_YEARS - 1)) / 365;
    int64_t day_of_year = of_era - (365 * y + y / 4 - y / 100);
    int64_t m = (5 * day_of_year + 2) / 153;
    *day = (int)(day_of_year - (153 * m + 2) / 5 + 1);
    *month = (int)(m < 10 ? m + 3 : m - 9);
    *year = (int)(era * 400 + y + (*month <= 2));
}

static int64_t floor_div(int64_t a, int64_t b)
{
    return a / b - (a % b != 0 && (a < 0) != (b < 0));
}

static void put_digits(char *at, int digits, int value)
{
    for (int i = digits - 1; i >= 0; i--) {
        at[i] = (char)('0' + value % 10);
        value /= 10;
    }
}

void taut_time_print(int64_t wall_ns, char out[TAUT_TIME_TEXT_MAX])
{
    int64_t ms = floor_div(wall_ns, TAUT_NS_PER_MS);
    int64_t seconds = floor_div(ms, 1000);
    int64_t days = floor_div(seconds, SECONDS_PER_DAY);
    int of_day = (int)(seconds - days * SECONDS_PER_DAY);
    int year, month, day;
    date_from_days(days, &year, &month, &day);
    memcpy(out, "0000-00-00T00:00:00.000Z", 25);
    put_digits(out, 4, year);
    put_digits(out + 5, 2, month);
    put_digits(out + 8, 2, day);
    put_digits(out + 11, 2, of_day / 3600);
    put_digits(out + 14, 2, of_day / 60 % 60);
    put_digits(out + 17, 2, of_day % 60);
    put_digits(out + 20, 3, (int)(ms - seconds * 1000));
}

static bool is_leap(int year)
{
    return (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
}

static int days_in_month(int year, int month)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    return month == 2 && is_leap(year) ? 29 : days[month - 1];
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* Read exactly `digits` digits and then `after` (0: nothing). */
static bool take(const char **at, int digits, char after, int *value)
{
    int v = 0;
    for (int i = 0; i < digits; i++, (*at)++) {
        if (!is_digit(**at))
            return false;
        v = v * 10 + (**at - '0');
    }
    *value = v;
    if (after == 0)
        return true;
    if (**at != after)
        return false;
    (*at)++;
    return true;
}

/* Digits past the ninth are dropped. */
static bool take_fraction(const char **at, int64_t *ns)
{
    *ns = 0;
    if (**at != '.')
        return true;
    (*at)++;
    if (!is_digit(**at))
        return false;
    int64_t unit = TAUT_NS_PER_S;
    for (; is_digit(**at); (*at)++) {
        unit /= 10;
        *ns += unit * (**at - '0');
    }
    return true;
}

struct date_time {
    int year, month, day, hour, minute, second;
    int64_t fraction_ns;
    int offset_minutes; /* local minus UTC */
    int offset_hour, offset_minute;
};

static bool take_offset(const char **at, struct date_time *t)
{
    char sign = **at;
    (*at)++;
    if (sign == 'Z' || sign == 'z')
        return true;
    if (sign != '+' && sign != '-')
        return false;
    if (!take(at, 2, ':', &t->offset_hour) || !take(at, 2, 0, &t->offset_minute))
        return false;
    t->offset_minutes = (t->offset_hour * 60 + t->offset_minute) * (sign == '-' ? -1 : 1);
    return true;
}

static bool take_date_time(const char *at, struct date_time *t)
{
    *t = (struct date_time){0};
    if (!take(&at, 4, '-', &t->year) || !take(&at, 2, '-', &t->month) || !take(&at, 2, 0, &t->day))
        return false;
    if (*at != 'T' && *at != 't')
        return false;
    at++;
    if (!take(&at, 2, ':', &t->hour) || !take(&at, 2, ':', &t->minute) || !take(&at, 2, 0, &t->second))
        return false;
    return take_fraction(&at, &t->fraction_ns) && take_offset(&at, t) && *at == '\0';
}

static bool exists(const struct date_time *t)
{
    return t->month >= 1 && t->month <= 12 && t->day >= 1 && t->day <= days_in_month(t->year, t->month) && t->hour <= 23 &&
           t->minute <= 59 && t->second <= 60 && t->offset_hour <= 23 && t->offset_minute <= 59;
}

/* Leap seconds are put in after the last second of a month, UTC (RFC 3339 appendix D). `after` is the second after. */
static bool may_be_leap_second(int64_t after)
{
    int year, month, day;
    date_from_days(floor_div(after, SECONDS_PER_DAY), &year, &month, &day);
    return after % SECONDS_PER_DAY == 0 && day == 1;
}

enum taut_status taut_time_parse(const char *text, int64_t *wall_ns)
{
    struct date_time t;
    if (!take_date_time(text, &t))
        return TAUT_E_FORMAT;
    if (!exists(&t) || t.year < FIRST_YEAR || t.year > LAST_YEAR)
        return TAUT_E_RANGE;
    int64_t seconds = days_from_date(t.year, t.month, t.day) * SECONDS_PER_DAY + t.hour * 3600 + t.minute * 60 + t.second -
                      (int64_t)t.offset_minutes * 60;
    if (t.second == 60 && !may_be_leap_second(seconds))
        return TAUT_E_RANGE;
    *wall_ns = seconds * TAUT_NS_PER_S + t.fraction_ns;
    return TAUT_OK;
}
