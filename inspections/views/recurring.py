from django.http import HttpResponse


def recurring(request, **_):
    return HttpResponse("being built")


def csv_table(request, **_):
    return HttpResponse("being built")
