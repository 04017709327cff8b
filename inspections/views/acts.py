from django.http import HttpResponse


def restrict(request, **_):
    return HttpResponse("being built")


def lift(request, **_):
    return HttpResponse("being built")


def look(request, **_):
    return HttpResponse("being built")


def tell(request, **_):
    return HttpResponse("being built")


def raise_category(request, **_):
    return HttpResponse("being built")


def plan(request, **_):
    return HttpResponse("being built")


def take(request, **_):
    return HttpResponse("being built")


def withdraw(request, **_):
    return HttpResponse("being built")


def close(request, **_):
    return HttpResponse("being built")


def check(request, **_):
    return HttpResponse("being built")
